"""What is asked about a school. Forms clean what was typed and never write."""

from typing import Any

from django import forms

from rentals.inventory.models import InstrumentKind, Product
from rentals.runtime.forms import OfficeForm, PostcodeField, StateField, WholeNumberField
from schools.models import Programme, School


class SchoolForm(OfficeForm):
    """A school: where it is, and the weekday the van comes."""

    name = forms.CharField(label="Name", max_length=120, error_messages={"required": "Write the school's name."})
    district = forms.CharField(label="District", max_length=120, error_messages={"required": "Write the school district."})
    street = forms.CharField(label="Street and number", max_length=120)
    city = forms.CharField(label="City", max_length=80)
    state = StateField(label="State")
    postal_code = PostcodeField(label="ZIP code", help_text="It chooses the tax area of what is received at the school.")
    delivery_weekday = forms.TypedChoiceField(
        label="The van comes on",
        choices=[("", "No fixed day"), *School.Weekday.choices],
        required=False,
        coerce=int,
        empty_value=None,
    )
    is_active = forms.BooleanField(label="We serve this school", required=False, initial=True)


class ProgrammeForm(OfficeForm):
    """A school's band or orchestra."""

    kind = forms.ChoiceField(label="Programme", choices=Programme.Kind.choices)
    director_name = forms.CharField(label="Director", max_length=120, required=False)
    director_email = forms.EmailField(label="Director's e-mail", required=False, max_length=254)
    starting_grade = WholeNumberField(label="Begins in grade", min_value=1, max_value=12, initial=5)


class RequiredItemForm(OfficeForm):
    """One line for a required list."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.none(), empty_label="Choose")
    product = forms.ModelChoiceField(label="To bring", queryset=Product.objects.none(), empty_label="Choose")
    quantity = WholeNumberField(
        label="How many",
        min_value=1,
        max_value=20,
        initial=1,
        error_messages={"min_value": "At least one.", "max_value": "At most twenty: write a smaller number."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].queryset = InstrumentKind.objects.all()  # type: ignore[attr-defined]
        self.fields["product"].queryset = Product.objects.filter(is_active=True)  # type: ignore[attr-defined]

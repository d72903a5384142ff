"""What is asked about a school. Forms clean what was typed and never write."""

import datetime
from typing import Any

from django import forms

from rentals.inventory.models import InstrumentKind, Product
from rentals.runtime.forms import DayField, OfficeForm, PhoneField, PostcodeField, StateField, WholeNumberField
from schools import calendar, directors
from schools.models import Programme, RequiredItem, School, SchoolDay
from schools.operations import RequiredFacts


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
    starting_grade = WholeNumberField(label="Begins in grade", min_value=1, max_value=12, initial=5)
    expected_beginners = WholeNumberField(
        label="Beginners next season",
        min_value=0,
        max_value=2000,
        required=False,
        help_text="As the director told you. Leave it empty while nobody has.",
    )


class DirectorForm(OfficeForm):
    """A director, and which programmes the person directs."""

    name = forms.CharField(label="Name", max_length=120, error_messages={"required": "Write the director's name."})
    email = forms.EmailField(label="E-mail", required=False, max_length=254)
    phone = PhoneField(label="Telephone", required=False)
    programmes = forms.ModelMultipleChoiceField(
        label="Directs",
        queryset=Programme.objects.none(),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Tick at least one programme."},
    )
    since_on = DayField(label="Since", required=False)
    until_on = DayField(label="Last day", required=False, help_text="Leave it empty while the person directs.")
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, school: School, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["programmes"].queryset = directors.list_programmes_near(school.pk)  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse a last day before the first."""
        cleaned = super().clean() or {}
        since, until = cleaned.get("since_on"), cleaned.get("until_on")
        if since and until and until < since:
            self.add_error("until_on", "The last day comes before the first: write a later one.")
        return cleaned

    def facts(self) -> directors.DirectorFacts:
        """Return what was answered."""
        names = ("name", "email", "phone", "programmes", "since_on", "until_on")
        return directors.DirectorFacts(**{name: self.cleaned_data[name] for name in names})


class ConsentForm(OfficeForm):
    """Who agreed for the school, and when."""

    agreed_by = forms.CharField(
        label="Who agreed for the school",
        max_length=120,
        help_text="Name and office, as on the letter or e-mail you keep.",
        error_messages={"required": "Write who agreed for the school."},
    )
    agreed_on = DayField(label="Agreed on")
    has_read = forms.BooleanField(
        label="The school agreed to these words",
        error_messages={"required": "Tick this once the school has agreed to the words above."},
    )

    def __init__(self, *args: Any, today: datetime.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_agreed_on(self) -> datetime.date:
        """Refuse a day that is still to come."""
        day: datetime.date = self.cleaned_data["agreed_on"]
        if day > self.today:
            message = "This day is still to come: write the day on which the school agreed."
            raise forms.ValidationError(message)
        return day


class WithdrawForm(OfficeForm):
    """Why a consent is withdrawn."""

    why = forms.CharField(label="Why", max_length=200, error_messages={"required": "Write why it is withdrawn."})


class RequiredItemForm(OfficeForm):
    """One line for a required list."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.none(), empty_label="Choose")
    product = forms.ModelChoiceField(
        label="To bring", queryset=Product.objects.none(), empty_label="Something we do not sell", required=False
    )
    words = forms.CharField(label="Or in words", max_length=120, required=False, help_text="For what is no product of ours.")
    sold_by = forms.ChoiceField(label="Who sells it", choices=RequiredItem.SoldBy.choices, initial="us", required=False)
    choice = WholeNumberField(
        label="Alternatives",
        min_value=1,
        max_value=20,
        required=False,
        help_text="The same number on two lines: one of them is enough.",
    )
    note = forms.CharField(label="Note", max_length=120, required=False)
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

    def clean(self) -> dict[str, Any]:
        """Ask for a product of ours or for words, and let only others sell what is no product of ours."""
        cleaned = super().clean() or {}
        cleaned["sold_by"] = cleaned.get("sold_by") or RequiredItem.SoldBy.US
        product, words = cleaned.get("product"), cleaned.get("words")
        if "product" not in self.errors:
            if not product and not words:
                self.add_error("product", "Choose a product, or write in words what is to be brought.")
            elif product and words:
                self.add_error("words", "Choose a product or write words, not both.")
            elif words and cleaned["sold_by"] == RequiredItem.SoldBy.US:
                self.add_error("sold_by", "We sell products only: choose one, or say who else sells this.")
        return cleaned

    def facts(self) -> RequiredFacts:
        """Return what was answered."""
        names = ("product", "words", "quantity", "sold_by", "choice", "note")
        return RequiredFacts(**{name: self.cleaned_data[name] for name in names})


class DaysForm(OfficeForm):
    """Days for a calendar, one line each."""

    kind = forms.ChoiceField(label="What kind of days", choices=SchoolDay.Kind.choices)
    days = forms.CharField(
        label="Days",
        widget=forms.Textarea(attrs={"rows": 8}),
        max_length=20000,
        strip=False,
        help_text="One line each, like 12/21/2026 - 01/01/2027 Winter break. The van does not come on days without school.",
        error_messages={"required": "Write at least one day."},
    )

    def clean_days(self) -> list[calendar.ListedDays]:
        """Read the list, or say for every line what is wrong."""
        try:
            return calendar.read_list(self.cleaned_data["days"])
        except calendar.DaysNotReadError as error:
            raise forms.ValidationError(error.lines) from error


class CopyListForm(OfficeForm):
    """From which programme a required list is taken over."""

    source = forms.ModelChoiceField(label="Take over from", queryset=Programme.objects.none(), empty_label="Choose")

    def __init__(self, *args: Any, target: Programme, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        others = Programme.objects.filter(kind=target.kind, required_items__isnull=False).exclude(pk=target.pk).distinct()
        self.fields["source"].queryset = others.select_related("school")  # type: ignore[attr-defined]

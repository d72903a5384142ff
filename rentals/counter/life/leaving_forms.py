"""What people say when an instrument is bought, comes back, or is lost. Cleaned into typed values; nothing here writes."""

from collections.abc import Sequence
from decimal import Decimal
from functools import cached_property
from typing import Any

from django import forms
from django.utils.html import escape

from rentals.agreements import promises, wording
from rentals.agreements.models import Agreement, LossReport
from rentals.agreements.operations import SignatureGiven
from rentals.counter.life.common import ActForm
from rentals.counter.life.ends import Condition, Missing
from rentals.families.forms import NameField
from rentals.inventory.models import Instrument, Location
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, StrokesField


def location_field(label: str) -> "forms.ModelChoiceField[Location]":
    """Return the choice of a shop."""
    shops = Location.objects.filter(is_active=True).order_by("name")
    return forms.ModelChoiceField(
        label=label,
        queryset=shops,
        initial=shops.first() if shops.count() == 1 else None,
        empty_label="Choose the shop",
        error_messages={"required": "Choose the shop where it stands."},
    )


class LoanerMixin(ActForm):
    """A form that asks after the loaner when one is out."""

    def __init__(self, *args: Any, loaner: Instrument | None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.loaner = loaner
        if loaner is not None:
            self.fields["loaner_is_back"] = forms.BooleanField(
                label=f"The loaner {loaner.asset_tag} came back too",
                error_messages={"required": f"The loaner {loaner.asset_tag} must come back first: tick that it did."},
            )


class QuoteForm(ActForm):
    """Until when a price holds."""

    valid_until = DayField(label="The price holds through", error_messages={"required": "Write the last day the price holds."})


class BuyForm(LoanerMixin):
    """Buying the instrument in hand: nothing to say but that the family agreed to the price, and where a loaner came back."""

    shown = forms.DecimalField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        if self.loaner is not None:
            self.fields["location"] = location_field("Shop where the loaner came back")


class ConditionForm(LoanerMixin):
    """How the instrument came back: condition, note, missing parts, what is wrong, and where.

    While the family still waits for its instrument nothing comes back, and nothing of this is asked.
    """

    grade = forms.ChoiceField(
        label="Condition",
        choices=Instrument.Grade.choices,
        widget=ChoiceCards,
        error_messages={"required": "Look at the instrument and choose its condition."},
    )
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=300,
        help_text="What the family and the next person should know: scratches at the bell, new strings.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    problem = forms.CharField(
        label="What must be repaired",
        required=False,
        max_length=300,
        help_text="Opens a work order and sends it to the bench. Leave empty and it goes to the shelf.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    other_part = forms.CharField(label="Something else that is missing", required=False, max_length=60)
    other_price = MoneyField(label="Its price before tax", required=False)

    def __init__(self, *args: Any, parts: Sequence[Missing], **options: Any) -> None:
        super().__init__(*args, **options)
        self.waits = promises.is_waiting(self.agreement)
        self.parts = [] if self.waits else parts
        if self.waits:
            for name in ("grade", "note", "problem", "other_part", "other_price"):
                del self.fields[name]
            return
        self.fields["location"] = location_field("Shop")
        for number, part in enumerate(parts):
            self.fields[f"missing_{number}"] = forms.BooleanField(label=f"{part.part} is missing", required=False)
            self.fields[f"price_{number}"] = MoneyField(
                label=f"{part.part}: price before tax", required=False, initial=part.price or None
            )

    @cached_property
    def part_fields(self) -> list[dict[str, Any]]:
        """The parts for the template: tick and price together."""
        return [{"tick": self[f"missing_{n}"], "price": self[f"price_{n}"]} for n in range(len(self.parts))]

    def clean(self) -> dict[str, Any]:
        """Ask for the price of whatever is missing."""
        cleaned = super().clean() or {}
        for number, part in enumerate(self.parts):
            if cleaned.get(f"missing_{number}") and cleaned.get(f"price_{number}") is None:
                self.add_error(
                    f"price_{number}", f"Write what the missing part costs: {part.part.lower()}. Zero charges nothing."
                )
        if cleaned.get("other_part") and cleaned.get("other_price") is None and "other_price" not in self.errors:
            self.add_error("other_price", "Write what the missing part costs. Zero charges nothing.")
        if cleaned.get("other_price") is not None and not cleaned.get("other_part") and cleaned["other_price"].amount:
            self.add_error("other_part", "Write which part is missing.")
        return cleaned

    @property
    def condition(self) -> Condition | None:
        """What was found, once the form is valid; None where nothing comes back."""
        if self.waits:
            return None
        given = self.cleaned_data
        missing = [
            Missing(part.part, given[f"price_{number}"].amount)
            for number, part in enumerate(self.parts)
            if given.get(f"missing_{number}")
        ]
        if given.get("other_part"):
            missing.append(Missing(given["other_part"], given["other_price"].amount))
        return Condition(given["grade"], given["location"], given["note"], given["problem"], tuple(missing))


class ShownMixin(forms.Form):
    """A form that first shows what it comes to, and does it when that was seen."""

    shown = forms.DecimalField(widget=forms.HiddenInput, required=False)

    def saw(self, total: Decimal) -> bool:
        """Tell whether its sender saw this total."""
        return self.cleaned_data.get("shown") == total


class ReturnForm(ShownMixin, ConditionForm):
    """An instrument comes back."""

    on = DayField(label="Came back on", error_messages={"required": "Write the day it came back."})
    field_order = ["on", "location", "grade", "note", "problem"]


class StepUpForm(ShownMixin, ConditionForm):
    """A better one is sold, the rented one comes back."""

    field_order = ["location", "grade", "note", "problem"]


class SignedForm(ShownMixin, ActForm):
    """A form whose last step is the guardian's signature under the text that was shown."""

    protection = forms.ChoiceField(
        label="Protection",
        choices=[("yes", "With protection"), ("no", "Without")],
        widget=ChoiceCards,
        error_messages={"required": "Ask the family whether it wants protection."},
    )
    signer_name = NameField(
        what="name of the guardian who signs",
        longest=120,
        label="Type the full name to sign",
        required=False,
        help_text="Typing the name is a signature. Drawing it below works too.",
    )
    strokes = StrokesField()
    consent = forms.BooleanField(label="The guardian has read this and agrees.", required=False)
    sha256 = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)
    last_step = ("signer_name", "strokes", "consent")

    @property
    def first_step(self) -> list[forms.BoundField]:
        """The fields that go along hidden while the guardian signs."""
        return [field for field in self if field.name not in self.last_step]

    @property
    def wants_protection(self) -> bool:
        """Whether the family takes protection."""
        return bool(self.cleaned_data["protection"] == "yes")

    def is_signed(self) -> bool:
        """Tell whether the guardian signed; say in the form what is missing."""
        given = self.cleaned_data
        if not given.get("consent"):
            self.add_error("consent", "Tick that the guardian agrees to electronic records, or use the paper form.")
        if not given.get("signer_name") and not given.get("strokes"):
            self.add_error("signer_name", "Let the guardian sign: type the full name, or draw it.")
        return not self.errors

    def signature(self, device: str) -> SignatureGiven:
        """How the guardian signed, on which device."""
        given = self.cleaned_data
        return SignatureGiven(
            signer_name=given["signer_name"] or str(self.agreement.guardian),
            method="drawn" if given["strokes"] else "typed",
            strokes=given["strokes"],
            consent_wording=wording.consent_wording(),
            device=device[:200],
        )


class SwapForm(SignedForm, ConditionForm):
    """Another instrument is taken, the rented one comes back."""

    field_order = ["protection", "location", "grade", "note", "problem"]


class TakeUpForm(SignedForm):
    """An agreement is taken up again."""


class LossForm(ShownMixin, LoanerMixin):
    """What happened, when, and whether protection covers it."""

    kind = forms.ChoiceField(
        label="What happened",
        choices=LossReport.Kind.choices,
        widget=ChoiceCards(
            notes={
                "lost": "It cannot be found.",
                "stolen": "Somebody took it. The police report number belongs to it.",
                "destroyed": "It cannot be repaired.",
            }
        ),
        error_messages={"required": "Choose what happened."},
    )
    happened_on = DayField(label="On which day", error_messages={"required": "Write the day it happened, or was noticed."})
    police_report_number = forms.CharField(
        label="Police report number",
        required=False,
        max_length=40,
        help_text="For a theft. Without it a theft counts as not protected.",
        widget=forms.TextInput({"class": "w-code", "autocomplete": "off"}),
    )
    is_covered = forms.ChoiceField(
        label="Does protection cover it?",
        choices=[("yes", "Yes, it is covered"), ("no", "No, it is not")],
        widget=forms.RadioSelect,
        error_messages={"required": "Read what protection covers, then choose."},
    )
    note = forms.CharField(label="How it happened", required=False, max_length=600, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: Any, agreement: Agreement, is_protected: bool, **options: Any) -> None:
        super().__init__(*args, agreement=agreement, **options)
        if not is_protected:
            del self.fields["is_covered"]
        else:
            self.fields["is_covered"].help_text = escape(agreement.plan_version.protection_covers)
        if self.loaner is not None:
            self.fields["location"] = location_field("Shop where the loaner came back")

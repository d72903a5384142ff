"""Forms of an instrument leaving the fleet and coming back. They clean what was typed; operations write."""

import re
import uuid
from typing import Any

from django import forms

from billing.models import Payment
from rentals.families.models import Household
from rentals.inventory.models import Location
from rentals.runtime.forms import ChoiceCards, CodeField, MoneyField, OfficeForm

LATER = "later"
NUMBER = re.compile(r"H?-?0*(\d{1,9})", re.IGNORECASE | re.ASCII)


class SellForm(OfficeForm):
    """What an instrument is sold for, to whom, and how it is paid. `shown` is the total that was on screen when it was sent."""

    price = MoneyField(label="Price before tax", error_messages={"required": "Write what it is sold for."})
    household = CodeField(
        label="Family's number", required=False, help_text="H-00012, for a family of the programme. Leave it empty for others."
    )
    buyer = forms.CharField(
        label="Or the buyer's name", required=False, max_length=120, help_text="For a buyer who is no family of the programme."
    )
    method = forms.ChoiceField(
        label="How is it paid?",
        widget=ChoiceCards,
        choices=[
            (Payment.Method.CASH, "Cash now"),
            (Payment.Method.CHEQUE, "Check now"),
            (LATER, "On the family's account"),
        ],
        error_messages={"required": "Choose how it is paid."},
    )
    cheque_number = forms.CharField(
        label="Check number", required=False, max_length=20, help_text="At the top right of the check. Checks only."
    )
    shown = forms.DecimalField(required=False, max_digits=12, decimal_places=2, widget=forms.HiddenInput)
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())
        self.fields["buyer"].widget.attrs["autocomplete"] = "off"
        self.fields["cheque_number"].widget.attrs.update({"class": "w-short", "autocomplete": "off", "inputmode": "numeric"})

    def clean_price(self) -> Any:
        """Refuse nothing: what is given away is retired."""
        price = self.cleaned_data["price"].amount
        if price <= 0:
            raise forms.ValidationError("A sale is for more than nothing. To give it away, retire it and say to whom.")
        return price

    def clean_household(self) -> Household | None:
        """Find the family by its number."""
        typed = self.cleaned_data["household"]
        if not typed:
            return None
        number = NUMBER.fullmatch(typed)
        found = Household.objects.filter(number=f"H-{int(number[1]):05d}").first() if number else None
        if found is None:
            raise forms.ValidationError(f"No family has the number {typed}. Look it up in the search above.")
        return found

    def clean(self) -> dict[str, Any]:
        """Ask for one buyer, and for payment at once by one whom the shop does not know."""
        data = super().clean() or {}
        household, buyer = data.get("household"), (data.get("buyer") or "").strip()
        if "household" not in self.errors:
            if household and buyer:
                self.add_error("buyer", "Write the family's number or a name, not both.")
            elif not household and not buyer:
                self.add_error("household", "Say who buys it: a family's number, or a name below.")
        if buyer and data.get("method") == LATER:
            self.add_error("method", "Only a family of the programme has an account. Take cash or a check.")
        if data.get("method") == Payment.Method.CHEQUE and not data.get("cheque_number"):
            self.add_error("cheque_number", "Write the check's number: it is printed at the top right of the check.")
        data["buyer"] = buyer
        return data


class ReasonForm(OfficeForm):
    """Why something is done, in a line for the history."""

    reason = forms.CharField(label="Why", max_length=140)

    def __init__(self, *args: Any, hint: str = "", **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["reason"].help_text = hint


class LoseForm(ReasonForm):
    """An instrument that is missing; whoever may, writes it off with it."""

    write_off = forms.BooleanField(
        label="Take it out of the books now",
        required=False,
        help_text="Leave it in while somebody still looks for it. It can be written off later.",
    )

    def __init__(self, *args: Any, may_write_off: bool, **options: Any) -> None:
        super().__init__(*args, hint="When and where it was last seen: not in the crate after the band night.", **options)
        if not may_write_off:
            del self.fields["write_off"]


class ComeBackForm(ReasonForm):
    """An instrument that comes back onto a shelf."""

    location = forms.ModelChoiceField(
        label="On the shelf of", queryset=Location.objects.filter(is_active=True), empty_label="Choose a shop"
    )
    field_order = ["location", "reason"]

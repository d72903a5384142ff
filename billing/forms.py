"""What people type about money, cleaned into typed values. Nothing here writes."""

import datetime
import uuid
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import QuerySet

from billing.models import Payment
from rentals.families.models import Guardian
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, OfficeForm

NOT_IN_HAND = (Payment.Method.CARD, Payment.Method.DEBIT)
NOT_AHEAD = "This day has not come yet. Write today or an earlier day."


class DatedForm(OfficeForm):
    """A form that knows which day it is."""

    def __init__(self, *args: Any, today: datetime.date, **options: Any) -> None:
        super().__init__(*args, **options)
        self.today = today

    def not_ahead(self, name: str) -> datetime.date:
        """Return a day that is not in the future."""
        day: datetime.date = self.cleaned_data[name]
        if day > self.today:
            raise forms.ValidationError(NOT_AHEAD)
        return day


@dataclass(frozen=True)
class Ways:
    """How money may come besides cash and checks: `card` and `debit` say so in a line where they may, else ""."""

    card: str = ""
    debit: str = ""
    transfer: bool = False

    @property
    def choices(self) -> list[tuple[str, str]]:
        """The ways that are offered."""
        method = Payment.Method
        offered = [(method.CARD, self.card), (method.DEBIT, self.debit), (method.TRANSFER, self.transfer)]
        return [(way, str(Payment.Method(way).label)) for way, may in offered if may]


class PaymentForm(DatedForm):
    """One payment as it is taken. The check's number is asked for checks only, the day of what is in hand only."""

    amount = MoneyField(label="Amount", error_messages={"required": "Write the amount."})
    method = forms.ChoiceField(
        label="How is it paid?",
        widget=ChoiceCards,
        choices=[(Payment.Method.CASH, "Cash"), (Payment.Method.CHEQUE, "Check")],
        error_messages={"required": "Choose how it is paid.", "invalid_choice": "This way is not open here. Choose another."},
    )
    cheque_number = forms.CharField(
        label="Check number", required=False, max_length=20, help_text="At the top right of the check. Checks only."
    )
    received_on = DayField(label="Received on", error_messages={"required": "Write the day it was received."})
    paid_by = forms.ModelChoiceField(
        label="Who paid?",
        queryset=Guardian.objects.none(),
        required=False,
        empty_label="Not said",
        help_text="This family shares its bills: what is paid counts for this guardian.",
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, ways: Ways, sharing: QuerySet[Guardian] | None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())
        if sharing is None:
            del self.fields["paid_by"]
        else:
            self.fields["paid_by"].queryset = sharing  # type: ignore[attr-defined]
        self.fields["received_on"].required = self.data.get("method") not in NOT_IN_HAND
        choices = [*self.fields["method"].choices, *ways.choices]  # type: ignore[attr-defined]
        self.fields["method"].choices = choices  # type: ignore[attr-defined]
        self.fields["method"].widget.notes = {Payment.Method.CARD: ways.card, Payment.Method.DEBIT: ways.debit}
        self.fields["cheque_number"].widget.attrs.update({"class": "w-short", "autocomplete": "off", "inputmode": "numeric"})

    def clean_amount(self) -> Any:
        """Refuse nothing."""
        amount = self.cleaned_data["amount"]
        if amount.amount <= 0:
            raise forms.ValidationError("A payment must be more than zero.")
        return amount

    def clean_received_on(self) -> datetime.date | None:
        """Refuse a day ahead; what goes over the processor or the bank has no day yet."""
        return self.not_ahead("received_on") if self.fields["received_on"].required else None

    def clean(self) -> dict[str, Any]:
        """Ask for the number of a check."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("method") == Payment.Method.CHEQUE and not (cleaned.get("cheque_number") or "").strip():
            self.add_error("cheque_number", "Write the check's number: it is printed at the top right of the check.")
        return cleaned


class ReturnForm(DatedForm):
    """Why and when a payment came back."""

    reason = forms.ChoiceField(
        label="Why did the bank send it back?",
        choices=[
            ("Insufficient funds", "Insufficient funds"),
            ("Account closed", "Account closed"),
            ("Payment stopped", "Payment stopped"),
            ("Signature or date missing", "Signature or date missing"),
            ("Other reason", "Other reason"),
        ],
        widget=ChoiceCards,
    )
    returned_on = DayField(label="Returned on", error_messages={"required": "Write the day the bank sent it back."})

    def clean_returned_on(self) -> datetime.date:
        """Refuse a day ahead."""
        return self.not_ahead("returned_on")


class VoidForm(OfficeForm):
    """Why a charge is taken back."""

    reason = forms.CharField(
        label="Reason",
        max_length=120,
        help_text="One line that the family may read: Billed twice, Instrument was not ready.",
        error_messages={"required": "Write why the charge is taken back."},
    )


class DepositForm(DatedForm):
    """Which payments go to the bank together."""

    payments = forms.TypedMultipleChoiceField(
        label="Payments", coerce=int, error_messages={"required": "Tick at least one payment to deposit."}
    )
    deposited_on = DayField(label="Deposited on", error_messages={"required": "Write the day it goes to the bank."})
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, on_hand: list[Payment], **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())
        # A payment that has left the list meanwhile is told by name by the operation, not as an unknown choice.
        sent = self.data.getlist("payments") if hasattr(self.data, "getlist") else []
        choices = {str(payment.pk) for payment in on_hand} | {key for key in sent if key.isdecimal()}
        self.fields["payments"].choices = [(key, key) for key in sorted(choices)]  # type: ignore[attr-defined]

    def clean_deposited_on(self) -> datetime.date:
        """Refuse a day ahead."""
        return self.not_ahead("deposited_on")


class RunForm(OfficeForm):
    """Through which day to bill."""

    through_on = DayField(
        label="Bill everything due through", error_messages={"required": "Write the last due day to bill, included."}
    )

    def __init__(self, *args: Any, today: datetime.date, **options: Any) -> None:
        super().__init__(*args, **options)
        self.today = today

    def clean_through_on(self) -> datetime.date:
        """Refuse to bill more than a month ahead: that is a slip of the keyboard."""
        day: datetime.date = self.cleaned_data["through_on"]
        if day > self.today + datetime.timedelta(days=31):
            raise forms.ValidationError("This is more than a month ahead. Write a day within the next 31 days.")
        return day

"""What people type on a family's account beside payments: adjustments, write-offs, refunds, certificates. Nothing here writes."""

import datetime
import uuid
from typing import Any

from django import forms

from billing.forms import DatedForm
from billing.models import Adjustment, Refund
from rentals.agreements.models import Agreement, TaxArea
from rentals.families.models import Guardian, Household
from rentals.runtime.forms import ChoiceCards, DayField, MoneyField, OfficeForm

CHECK_NUMBER = "Write the number of the check you write."


class KeyedForm(OfficeForm):
    """A form that makes something, once however often it is sent."""

    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())


class AdjustmentForm(KeyedForm):
    """What is asked for: more or less, how much, about which agreement, why."""

    direction = forms.ChoiceField(
        label="What should change?",
        choices=Adjustment.Direction.choices,
        widget=ChoiceCards,
        error_messages={"required": "Choose whether the family owes less or more."},
    )
    amount = MoneyField(label="Amount", error_messages={"required": "Write the amount."})
    agreement = forms.ModelChoiceField(
        label="About", queryset=Agreement.objects.none(), required=False, empty_label="The account as a whole"
    )
    reason = forms.CharField(
        label="Reason",
        max_length=150,
        help_text="One line that the family may read: Instrument came a week late.",
        error_messages={"required": "Write the reason."},
    )

    def __init__(self, *args: Any, household: Household, **options: Any) -> None:
        super().__init__(*args, **options)
        agreements = Agreement.objects.filter(household=household).exclude(end_reason="voided").select_related("item__kind")
        field: Any = self.fields["agreement"]
        field.queryset = agreements.order_by("-pk")
        field.label_from_instance = lambda each: f"{each.number}, {each.item.kind}"

    def clean_amount(self) -> Any:
        """Refuse nothing."""
        return positive(self.cleaned_data["amount"])


class DecisionForm(OfficeForm):
    """Yes or no, and a word to whoever asked."""

    is_granted = forms.ChoiceField(
        label="Your decision",
        choices=[("yes", "Grant it: it is posted today"), ("no", "Refuse it")],
        widget=ChoiceCards,
        error_messages={"required": "Choose to grant or to refuse."},
    )
    note = forms.CharField(label="Note", required=False, max_length=200, help_text="Needed when you refuse: say why.")

    def clean(self) -> dict[str, Any]:
        """Ask why it is refused."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("is_granted") == "no" and not (cleaned.get("note") or "").strip():
            self.add_error("note", "Write why it is refused: whoever asked will read it.")
        return cleaned


class WriteOffForm(KeyedForm):
    """Why a debt is written off, and the amount that was on the screen."""

    amount = forms.DecimalField(widget=forms.HiddenInput, max_digits=14, decimal_places=2)
    reason = forms.CharField(
        label="Reason",
        max_length=150,
        help_text="One line for the auditor: Moved away, three letters and two calls without an answer.",
        error_messages={"required": "Write the reason."},
    )


class RefundForm(DatedForm, KeyedForm):
    """How much is paid back, how, and why. The check's number is asked for checks only."""

    amount = MoneyField(label="Amount", error_messages={"required": "Write the amount."})
    method = forms.ChoiceField(
        label="How is it paid back?",
        choices=[each for each in Refund.Method.choices if each[0] != Refund.Method.CARD],
        widget=ChoiceCards,
        error_messages={"required": "Choose cash, check or bank transfer."},
    )
    cheque_number = forms.CharField(
        label="Check number", required=False, max_length=20, help_text="Of the check you write. Leave empty otherwise."
    )
    on = DayField(label="Paid back on", error_messages={"required": "Write the day."})
    reason = forms.CharField(
        label="Reason",
        max_length=140,
        help_text="One line that the family may read: Paid twice.",
        error_messages={"required": "Write the reason."},
    )
    pays_out_credit = forms.BooleanField(
        label="Also pay out credit that the office gave, though the family never paid it in", required=False
    )

    def __init__(self, *args: Any, has_credit: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        if not has_credit:
            del self.fields["pays_out_credit"]
        self.fields["cheque_number"].widget.attrs.update({"class": "w-short", "autocomplete": "off", "inputmode": "numeric"})

    def clean_amount(self) -> Any:
        """Refuse nothing."""
        return positive(self.cleaned_data["amount"])

    def clean_on(self) -> datetime.date:
        """Refuse a day ahead."""
        return self.not_ahead("on")

    def clean(self) -> dict[str, Any]:
        """Ask for the number of a check."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if cleaned.get("method") == Refund.Method.CHEQUE and not (cleaned.get("cheque_number") or "").strip():
            self.add_error("cheque_number", CHECK_NUMBER)
        return cleaned


class ExemptionForm(KeyedForm):
    """What stands on a family's certificate."""

    certificate_number = forms.CharField(
        label="Certificate number", max_length=40, error_messages={"required": "Write the number of the certificate."}
    )
    area = forms.ModelChoiceField(
        label="Where it holds", queryset=TaxArea.objects.order_by("name"), required=False, empty_label="Everywhere"
    )
    from_on = DayField(label="From", error_messages={"required": "Write its first day."})
    expires_on = DayField(label="Last day", error_messages={"required": "Write its last day."})

    def clean(self) -> dict[str, Any]:
        """Refuse a certificate that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        first, last = cleaned.get("from_on"), cleaned.get("expires_on")
        if first and last and last < first:
            self.add_error("expires_on", "The last day cannot lie before the first.")
        return cleaned


class ExemptionEndForm(OfficeForm):
    """On which day an exemption ends after all."""

    last_on = DayField(label="Last day", error_messages={"required": "Write its last day."})


class PeriodForm(OfficeForm):
    """Which days a statement covers, both included, and for whom."""

    begins_on = DayField(label="From", error_messages={"required": "Write the first day."})
    through_on = DayField(label="Through", error_messages={"required": "Write the last day."})
    payer = forms.ModelChoiceField(
        label="For", queryset=Guardian.objects.none(), required=False, empty_label="The whole household"
    )

    def __init__(self, *args: Any, sharing: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        field: Any = self.fields["payer"]
        field.queryset = sharing
        if not sharing.exists():
            del self.fields["payer"]

    def clean(self) -> dict[str, Any]:
        """Refuse a time that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        first, last = cleaned.get("begins_on"), cleaned.get("through_on")
        if first and last and last < first:
            self.add_error("through_on", "The last day cannot lie before the first.")
        return cleaned


def positive(amount: Any) -> Any:
    """Return the amount if it is more than zero. Raises ValidationError."""
    if amount.amount <= 0:
        raise forms.ValidationError("Write an amount of more than zero.")
    return amount

"""What is typed about card payments: how much, who pays, how much goes back. Never anything of a card."""

import uuid
from typing import Any

from django import forms
from django.db.models import QuerySet

from rentals.families.models import Guardian
from rentals.runtime.forms import MoneyField, OfficeForm


class CardStartForm(OfficeForm):
    """How much is to be paid by card."""

    amount = MoneyField(label="Amount", error_messages={"required": "Write the amount."})
    paid_by = forms.ModelChoiceField(
        label="Who pays?",
        queryset=Guardian.objects.none(),
        required=False,
        empty_label="Not said",
        help_text="This family shares its bills: what is paid counts for this guardian.",
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, sharing: QuerySet[Guardian] | None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())
        if sharing is None:
            del self.fields["paid_by"]
        else:
            self.fields["paid_by"].queryset = sharing  # type: ignore[attr-defined]

    def clean_amount(self) -> Any:
        """Refuse nothing."""
        amount = self.cleaned_data["amount"]
        if amount.amount <= 0:
            raise forms.ValidationError("A payment must be more than zero.")
        return amount


class CardRefundForm(OfficeForm):
    """How much goes back to the card, and why."""

    amount = MoneyField(label="Amount", error_messages={"required": "Write the amount."})
    reason = forms.CharField(
        label="Reason",
        max_length=120,
        help_text="One line that the family may read.",
        error_messages={"required": "Write the reason."},
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())

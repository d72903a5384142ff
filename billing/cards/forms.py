"""What is typed about money that goes back to a card. Never anything of a card."""

import uuid
from typing import Any

from django import forms

from rentals.runtime.forms import MoneyField, OfficeForm


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

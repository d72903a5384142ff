"""What a manager sets up for the bench: rates, parts, warranty and estimates."""

import uuid
from typing import Any

from django import forms

from rentals.inventory.models import RepairPart
from rentals.runtime.forms import DayField, MoneyField, OfficeForm, WholeNumberField


class SettingForm(OfficeForm):
    """How long the shop answers for its work, and when a family is asked."""

    warranty_days = WholeNumberField(
        label="Days the shop answers for its own work",
        min_value=0,
        max_value=3650,
        help_text="The same work within these days costs the family nothing.",
    )
    estimate_above = MoneyField(
        label="Ask the family from",
        help_text="Work that a family pays goes ahead unasked up to this amount before tax. 0: it is always asked.",
    )
    estimate_days = WholeNumberField(label="Days an estimate holds", min_value=1, max_value=365)
    tax_labour = forms.BooleanField(label="Labour is taxed as goods are", required=False)
    version = forms.IntegerField(widget=forms.HiddenInput)


class RateForm(OfficeForm):
    """What an hour at the bench costs, and what a family pays for it, from a day on."""

    from_on = DayField(label="From", help_text="Today or later. The same day again replaces what was said for it.")
    cost_per_hour = MoneyField(label="An hour costs the shop")
    price_per_hour = MoneyField(label="A family pays an hour")


class PartStockForm(OfficeForm):
    """A part the bench keeps."""

    sku = forms.SlugField(label="Code", max_length=40, help_text="Small letters, digits and dashes: pad-17.")
    name = forms.CharField(label="Name", max_length=80)
    cost = MoneyField(label="A piece costs the shop")
    price = MoneyField(label="A family pays a piece")
    on_hand = WholeNumberField(label="Counted on hand", min_value=0, max_value=100_000)
    is_active = forms.BooleanField(label="In use", required=False, initial=True)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, part: RepairPart | None = None, **options: Any) -> None:
        names = ("sku", "name", "cost", "price", "on_hand", "is_active", "version")
        initial = {name: getattr(part, name) for name in names} if part else {}
        super().__init__(*args, initial=initial, **options)
        if part:
            del self.fields["sku"]


class ArrivedForm(OfficeForm):
    """Pieces that arrived."""

    quantity = WholeNumberField(label="Pieces that arrived", min_value=1, max_value=100_000)
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())

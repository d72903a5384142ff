"""What people type about the fleet in the books. Nothing here writes."""

import datetime
import uuid
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms

from billing.fleet.operations import Terms
from billing.models import FleetAsset
from rentals.runtime.forms import ChoiceCards, OfficeForm, WholeNumberField
from rentals.runtime.templatetags.office import day as written_day

TAX_NOTES = {
    "3": "Some rent-to-own property, if the agreement meets every condition of the tax law",
    "5": "If your adviser places the instruments there",
    "7": "Property that the tax tables name nowhere else",
}


class BookForm(OfficeForm):
    """How the instruments that are booked now are depreciated."""

    life_months = WholeNumberField(
        label="Life in months",
        help_text="Over how many months the cost is spread, from the month of purchase on: 84 is seven years.",
        error_messages={"required": "Write the life in months, like 84."},
    )
    salvage_percent = WholeNumberField(
        label="Left at the end, in percent of cost",
        help_text="What an old instrument will still be worth. 0 spreads the whole cost.",
        error_messages={"required": "Write the percentage, or 0."},
    )
    tax_class = forms.TypedChoiceField(
        label="Class for the tax schedule",
        widget=ChoiceCards(notes=TAX_NOTES),
        choices=FleetAsset.TaxClass.choices,
        coerce=int,
        help_text="Only for comparison: nothing is posted by it.",
        error_messages={"required": "Choose the class your tax adviser named."},
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())
        for name in ("life_months", "salvage_percent"):
            self.fields[name].widget.attrs["class"] = "w-short"

    def clean_life_months(self) -> int:
        """Refuse what no instrument lives."""
        months: int = self.cleaned_data["life_months"]
        if not 1 <= months <= 600:
            raise forms.ValidationError("Write between 1 and 600 months.")
        return months

    def clean_salvage_percent(self) -> int:
        """Refuse less than nothing and more than all."""
        percent: int = self.cleaned_data["salvage_percent"]
        if not 0 <= percent <= 100:
            raise forms.ValidationError("Write between 0 and 100 percent.")
        return percent

    def terms(self) -> Terms:
        """What was typed."""
        given = self.cleaned_data
        return Terms(given["life_months"], Decimal(given["salvage_percent"]) / 100, given["tax_class"])


class DepreciateForm(OfficeForm):
    """Through which month to depreciate."""

    through = forms.TypedChoiceField(
        label="Depreciate through", coerce=datetime.date.fromisoformat, error_messages={"required": "Choose the last month."}
    )

    def __init__(self, *args: Any, months: Sequence[datetime.date], **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["through"].choices = [  # type: ignore[attr-defined]
            (month.isoformat(), written_day(month, "month")) for month in months
        ]
        self.fields["through"].error_messages["invalid_choice"] = (
            "This month is done already, or not over yet. Choose from the list as it stands now."
        )

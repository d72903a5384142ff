"""What people suppose when they ask for advice. Nothing is written."""

from decimal import Decimal
from typing import Any

from rentals.runtime.fields import MoneyField, WholeNumberField
from rentals.runtime.forms import OfficeForm


class SupposeForm(OfficeForm):
    """What the repair would cost, and how long the instrument would rent on after it."""

    repair = MoneyField(
        label="The repair costs",
        required=False,
        least=Decimal(0),
        most=Decimal(100000),
        help_text="Leave it empty to take what is known.",
    )
    months = WholeNumberField(label="Rents on for so many months", required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["months"].widget.attrs["class"] = "w-short"

    def clean_months(self) -> int | None:
        """Refuse what no instrument lives."""
        months: int | None = self.cleaned_data["months"]
        if months is not None and not 1 <= months <= 240:
            self.add_error("months", "Write between 1 and 240 months.")
        return months

"""What is typed when a day is counted down, opened again, or a payment voided."""

from typing import Any

from django import forms

from billing.models import Payment
from billing.taking.rules import DENOMINATIONS
from rentals.runtime.forms import OfficeForm
from rentals.runtime.widgets import NumberText

MOST_PIECES = 9999


def label_of(cents: int) -> str:
    """Name a denomination as it is spoken of at the counter: notes and coins from a dollar up, cents below."""
    return f"${cents // 100}" if cents >= 100 else f"{cents}¢"


class PiecesField(forms.IntegerField):
    """How many pieces; left empty it is none."""

    def clean(self, value: Any) -> int:
        """Read a whole number, nothing as zero."""
        return 0 if value in self.empty_values else super().clean(value) or 0


class CountForm(OfficeForm):
    """How many of each note and coin, which checks are in hand, and why it differs."""

    reason = forms.CharField(
        label="Reason for a difference",
        max_length=200,
        required=False,
        help_text="Only if the cash is over or short: Gave too much change, Coin roll was short.",
    )

    def __init__(self, *args: Any, cheques: tuple[Payment, ...], **options: Any) -> None:
        super().__init__(*args, **options)
        for cents in DENOMINATIONS:
            field = PiecesField(
                label=label_of(cents),
                min_value=0,
                max_value=MOST_PIECES,
                widget=NumberText,
                error_messages={
                    "invalid": f"How many of {label_of(cents)}? Write a whole number, or leave it empty.",
                    "min_value": f"How many of {label_of(cents)}? It cannot be below zero.",
                    "max_value": f"More than {MOST_PIECES} of {label_of(cents)}? Write the number of pieces, not their value.",
                },
            )
            self.fields[f"piece_{cents}"] = field
        choices = [(str(each.pk), each.number) for each in cheques]
        self.fields["cheques"] = forms.MultipleChoiceField(label="Checks in hand", choices=choices, required=False)

    @property
    def denominations(self) -> list[forms.BoundField]:
        """The fields of notes and coins, the largest first."""
        return [self[f"piece_{cents}"] for cents in DENOMINATIONS]

    @property
    def pieces(self) -> dict[int, int]:
        """How many of each denomination, by its value in cents."""
        return {cents: self.cleaned_data.get(f"piece_{cents}") or 0 for cents in DENOMINATIONS}

    @property
    def ticked(self) -> frozenset[int]:
        """The payments whose checks are in hand."""
        return frozenset(int(key) for key in self.cleaned_data["cheques"])


class ReasonForm(OfficeForm):
    """One line that says why."""

    reason = forms.CharField(label="Reason", max_length=120, error_messages={"required": "Write the reason in one line."})

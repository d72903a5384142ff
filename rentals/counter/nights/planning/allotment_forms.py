"""What is asked on the allotment's page: what a proposal goes by, quantities by hand, one more line."""

from collections.abc import Sequence
from typing import Any

from django import forms

from rentals.inventory.models import InstrumentKind
from rentals.inventory.reference import list_sizes
from rentals.runtime.forms import MoneyField, OfficeForm, WholeNumberField
from schools.models import Allotment, AllotmentLine, Night
from schools.nights_allotment import LEVEL, WEIGHT, Settings
from schools.nights_rules import BadLevelError


class SettingsForm(OfficeForm):
    """What the proposal goes by."""

    families = WholeNumberField(label="Families expected", min_value=1, max_value=2000)
    percent = forms.DecimalField(
        label="Enough on so many nights of 100",
        required=False,
        max_digits=4,
        decimal_places=1,
        help_text="90: on nine nights of ten each line is enough.",
    )
    short_cost = MoneyField(
        label="One too few costs", required=False, help_text="A family that goes home without: what the shop loses by it."
    )
    spare_cost = MoneyField(
        label="One too many costs", required=False, help_text="Carried for nothing, and not on the shelf that evening."
    )
    weight = WholeNumberField(
        label="The pool counts as so many families",
        min_value=0,
        max_value=1000,
        help_text="More: the school's own few sign-ups say less. 0: only its own count.",
    )
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    asked_together = frozenset({"percent", "short_cost", "spare_cost"})

    def clean(self) -> dict[str, Any]:
        """A level, or both costs from which it follows."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        short, spare = cleaned.get("short_cost"), cleaned.get("spare_cost")
        if (short is None) != (spare is None):
            self.add_error("spare_cost" if spare is None else "short_cost", "Give both costs, or neither and a level.")
        elif short is None and cleaned.get("percent") is None:
            self.add_error("percent", "Write a level, like 90, or both costs.")
        else:
            try:
                self.settings().settled_level()
            except BadLevelError as error:
                self.add_error("percent" if short is None else "short_cost", str(error))
        return cleaned

    def settings(self) -> Settings:
        """Give what was chosen; costs go before a level."""
        data = self.cleaned_data
        costs = {name: data[name].amount if data[name] is not None else None for name in ("short_cost", "spare_cost")}
        percent = data.get("percent")
        level = percent / 100 if percent is not None else LEVEL
        return Settings(families=data["families"], weight=data["weight"], level=level, **costs)


def settings_of(night: Night, allotment: Allotment | None) -> dict[str, Any]:
    """Give what the proposal went by, or what it begins with."""
    if allotment is None:
        return {"families": night.expected_families, "percent": "90", "weight": WEIGHT, "version": 0}
    by_costs = allotment.short_cost is not None
    return {
        "families": allotment.families,
        "percent": "" if by_costs else f"{(allotment.level * 100).normalize():f}",
        "short_cost": allotment.short_cost,
        "spare_cost": allotment.spare_cost,
        "weight": allotment.weight,
        "version": allotment.version,
    }


class QuantitiesForm(OfficeForm):
    """How many of each line, by hand. One field a line, named by its id."""

    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, lines: Sequence[AllotmentLine], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for line in lines:
            name = f"{line.kind.name} {line.size}".strip()
            self.fields[f"line-{line.pk}"] = WholeNumberField(
                label=f"How many: {name}",
                initial=line.quantity,
                min_value=0,
                max_value=2000,
                error_messages={
                    "required": f"{name}: write how many, 0 for none.",
                    "invalid": f"{name}: write a whole number in digits.",
                    "min_value": f"{name}: write 0 or more.",
                    "max_value": f"{name}: that is more than any van takes.",
                },
            )

    def quantities(self) -> dict[int, int]:
        """Give the quantities by line."""
        return {int(name[5:]): count for name, count in self.cleaned_data.items() if name.startswith("line-")}


class LineForm(OfficeForm):
    """A kind and size that nothing was counted of."""

    kind = forms.ModelChoiceField(label="Kind", queryset=InstrumentKind.objects.all(), empty_label="Choose a kind")
    size = forms.CharField(label="Size", required=False, max_length=8, help_text="Bowed strings only, like 1/2.")
    quantity = WholeNumberField(label="How many", min_value=1, max_value=2000)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """Sizes are those of the kind."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        kind = cleaned.get("kind")
        if kind:
            sizes = [row.size for row in list_sizes(kind.pk)] if kind.has_sizes else []
            if sizes and cleaned.get("size") not in sizes:
                self.add_error("size", f"Write one of the sizes of a {kind.name.lower()}: {', '.join(sizes)}.")
            elif not sizes and cleaned.get("size"):
                self.add_error("size", f"A {kind.name.lower()} has no sizes: leave this empty.")
        return cleaned

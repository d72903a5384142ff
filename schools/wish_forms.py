"""What is asked about a director's wishes. Forms clean what was typed and never write."""

from typing import Any

from django import forms

from rentals.inventory.models import CatalogueItem, InstrumentKind
from rentals.inventory.reference import list_sizes
from rentals.runtime.forms import OfficeForm, WholeNumberField


class ExpectedForm(OfficeForm):
    """How many begin on one kind of instrument."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.none(), empty_label="Choose")
    count = WholeNumberField(
        label="How many begin",
        min_value=1,
        max_value=500,
        error_messages={"min_value": "At least one: take the line off if nobody begins.", "max_value": "At most 500."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].queryset = InstrumentKind.objects.all()  # type: ignore[attr-defined]


class ApprovedForm(OfficeForm):
    """One model that the director approves."""

    item = forms.ModelChoiceField(label="Model", queryset=CatalogueItem.objects.none(), empty_label="Choose")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["item"]
        field.queryset = CatalogueItem.objects.filter(is_active=True).select_related("kind")
        field.label_from_instance = lambda item: f"{item.kind}: {item}"


class UsualSizeForm(OfficeForm):
    """The size a director usually wants in one school year."""

    kind = forms.ModelChoiceField(label="Instrument", queryset=InstrumentKind.objects.none(), empty_label="Choose")
    grade = WholeNumberField(label="School year", min_value=1, max_value=12)
    size = forms.ChoiceField(label="Usual size")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds: Any = self.fields["kind"]
        kinds.queryset = InstrumentKind.objects.filter(has_sizes=True)
        sized = list(kinds.queryset)
        kinds.choices = [("", "Choose"), *((kind.pk, str(kind)) for kind in sized)]
        sizes = dict.fromkeys(row.size for kind in sized for row in list_sizes(kind.pk))
        self.fields["size"].choices = [("", "Choose"), *((size, size) for size in sizes)]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse a size in which the kind is not made."""
        cleaned = super().clean() or {}
        kind, size = cleaned.get("kind"), cleaned.get("size")
        made = [row.size for row in list_sizes(kind.pk)] if kind else []
        if kind and size and size not in made:
            self.add_error("size", f"{kind} is made in the sizes {', '.join(made)}: choose one of them.")
        return cleaned

"""What a print of labels needs to know: which instruments, which sheet, which printer, beginning where."""

import re
import uuid
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from rentals.inventory import rules
from rentals.inventory.models import LabelLayout, LabelPrinter
from rentals.inventory.operations.labels import MOST_LABELS
from rentals.runtime.forms import OfficeForm

MOST_SCANNED = 200


class PrintForm(OfficeForm):
    """What is printed, on which sheet, by which printer, beginning where."""

    request_key = forms.UUIDField(widget=forms.HiddenInput)
    instruments = forms.CharField(widget=forms.HiddenInput)
    layout = forms.ModelChoiceField(queryset=LabelLayout.objects.filter(is_active=True), widget=forms.HiddenInput)
    printer = forms.ModelChoiceField(
        queryset=LabelPrinter.objects.filter(is_active=True), required=False, widget=forms.HiddenInput
    )
    starts_at = forms.IntegerField(
        label="The first free label",
        min_value=1,
        error_messages={"required": "Choose the first label that is still on the sheet."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("request_key", uuid.uuid4())

    def clean_instruments(self) -> list[int]:
        """Read the ids in their order."""
        ids = read_ids(self.cleaned_data["instruments"])
        if not ids:
            raise ValidationError("Nothing is chosen to be printed: choose the instruments again.", code="none")
        return ids


def read_ids(text: str, most: int = MOST_LABELS + 1) -> list[int]:
    """Read ids parted by commas, each once, in their order; whatever is no id is left out."""
    found = [int(part) for part in text.split(",") if part.isascii() and part.isdigit() and len(part) < 10]
    return list(dict.fromkeys(found))[:most]


class ScannedForm(OfficeForm):
    """Tags scanned or typed, one on each line."""

    tags = forms.CharField(
        label="Asset tags",
        widget=forms.Textarea(
            attrs={"rows": 6, "autocapitalize": "characters", "spellcheck": "false", "class": "code", "data-wedge-list": True}
        ),
        help_text="Scan one after the other, wherever the cursor stands: each gets a line. Commas and spaces part typed ones.",
    )

    def clean_tags(self) -> list[str]:
        """Read every tag as a scanner or a person wrote it."""
        found, wrong = [], []
        for written in re.split(r"[\s,;]+", self.cleaned_data["tags"].strip()):
            try:
                found.append(rules.normalise_tag(written))
            except rules.BadAssetTagError:
                wrong.append(written[:40])
        if wrong:
            raise ValidationError(f"These cannot be asset tags: {', '.join(wrong[:5])}. Correct or delete them.", code="bad")
        if len(found) > MOST_SCANNED:
            raise ValidationError(f"Scan {MOST_SCANNED} at once at most: these are {len(found)}.", code="many")
        return list(dict.fromkeys(found))

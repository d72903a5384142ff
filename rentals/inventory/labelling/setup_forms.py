"""How sheets, rolls and printers are set up. Lengths are typed in millimetres or inches."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from rentals.inventory.labelling import sheets
from rentals.inventory.labelling.lengths import LengthField
from rentals.inventory.models import LabelLayout, Location
from rentals.runtime.forms import OfficeForm, WholeNumberField


class LayoutForm(OfficeForm):
    """A sheet of labels or a roll, as its maker cut it."""

    name = forms.CharField(label="Name", max_length=60, help_text="As people here call it: 30 to a letter sheet.")
    page_width = LengthField(label="Page width", least=20)
    page_height = LengthField(label="Page height", least=10)
    columns = WholeNumberField(label="Labels side by side", min_value=1, max_value=20, initial=1)
    rows = WholeNumberField(label="Labels below each other", min_value=1, max_value=50, initial=1)
    label_width = LengthField(label="Label width", least=20)
    label_height = LengthField(label="Label height", least=10)
    margin_left = LengthField(label="From the left edge to the first label", initial="0")
    margin_top = LengthField(label="From the upper edge to the first label", initial="0")
    pitch_x = LengthField(
        label="From one label’s left edge to the next one’s", required=False, help_text="Empty: they touch, or there is only one."
    )
    pitch_y = LengthField(
        label="From one label’s upper edge to the next one’s",
        required=False,
        help_text="Empty: they touch, or there is only one.",
    )
    is_active = forms.BooleanField(label="In use", required=False, initial=True)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def clean(self) -> dict[str, Any]:
        """Hold the labels to the page, and apart from each other."""
        data = super().clean() or {}
        ways = (("pitch_x", "width", "columns", "margin_left"), ("pitch_y", "height", "rows", "margin_top"))
        for pitch_name, size, count_name, edge_name in ways:
            known = [data.get(name) for name in (f"label_{size}", f"page_{size}", count_name, edge_name)]
            if None not in known:
                self._fit(data, pitch_name, size, known)
        return data

    def _fit(self, data: dict[str, Any], pitch_name: str, size: str, known: list[Any]) -> None:
        label, page, count, edge = known
        pitch = data[pitch_name] = data.get(pitch_name) or label
        over = edge + (count - 1) * pitch + label - page
        if pitch < label:
            self.add_error(pitch_name, f"That is less than the label’s {size}: the labels would lie on each other.")
        elif over > 0:
            self.add_error(f"page_{size}", f"The labels reach {over.normalize():f} mm beyond the page: measure again.")

    FACTS = (
        *("name", "page_width", "page_height", "columns", "rows", "label_width", "label_height", "margin_left", "margin_top"),
        *("pitch_x", "pitch_y", "is_active"),
    )


class PrinterForm(OfficeForm):
    """A printer for labels, and how it errs."""

    name = forms.CharField(
        label="Name", max_length=60, help_text="Where it stands, or what people call it: Label printer, bench."
    )
    location = forms.ModelChoiceField(
        label="Shop", queryset=Location.objects.filter(is_active=True), required=False, empty_label="No shop in particular"
    )
    layout = forms.ModelChoiceField(
        label="Usually loaded with",
        queryset=LabelLayout.objects.filter(is_active=True),
        required=False,
        empty_label="Nothing in particular",
    )
    dots_per_inch = WholeNumberField(
        label="Dots per inch",
        min_value=150,
        max_value=2400,
        initial=300,
        help_text="Label printers: often 203 or 300. Office printers: 300 is right for them all.",
    )
    offset_x = LengthField(label="Move to the right", least=-20, most=20, initial="0", help_text="Negative moves to the left.")
    offset_y = LengthField(label="Move down", least=-20, most=20, initial="0", help_text="Negative moves up.")
    scale_x = forms.DecimalField(label="Stretch across, per cent", min_value=95, max_value=105, initial=100, decimal_places=3)
    scale_y = forms.DecimalField(label="Stretch down, per cent", min_value=95, max_value=105, initial=100, decimal_places=3)
    is_active = forms.BooleanField(label="In use", required=False, initial=True)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    FACTS = ("name", "location", "layout", "dots_per_inch", "offset_x", "offset_y", "scale_x", "scale_y", "is_active")


class MeasuredForm(OfficeForm):
    """Where the two crosses of a calibration sheet came out."""

    first_x = LengthField(label="First cross, from the left edge of the paper")
    first_y = LengthField(label="First cross, from the upper edge of the paper")
    second_x = LengthField(label="Second cross, from the left edge of the paper")
    second_y = LengthField(label="Second cross, from the upper edge of the paper")
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, layout: LabelLayout, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.marks = sheets.marks_of(float(layout.page_width), float(layout.page_height))
        for number, name in enumerate(("first", "second")):
            for axis, side in enumerate("xy"):
                self.fields[f"{name}_{side}"].help_text = f"It should stand at {self.marks[number][axis]:g} mm."

    def clean(self) -> dict[str, Any]:
        """Work the correction out, and refuse one that no printer needs: then something was measured wrongly."""
        data = super().clean() or {}
        names = ("first_x", "first_y", "second_x", "second_y")
        if any(data.get(name) is None for name in names):
            return data
        first, second = (float(data["first_x"]), float(data["first_y"])), (float(data["second_x"]), float(data["second_y"]))
        if second[0] <= first[0] or second[1] <= first[1]:
            raise ValidationError("The second cross stands to the right of the first and below it: measure again.", code="order")
        found = sheets.correct(self.marks, (first, second))
        if not (0.95 <= found.scale_x <= 1.05 and 0.95 <= found.scale_y <= 1.05):
            message = "By these measures the page came out more than 5% too small or too large: print it at actual size (100%)."
            raise ValidationError(message, code="scale")
        if abs(found.offset_x) > 20 or abs(found.offset_y) > 20:
            raise ValidationError(
                "That is more than 20 mm beside: lay the paper in straight, print again, and measure.", code="far"
            )
        data["correction"] = found
        return data

"""What is typed, scanned or pasted when instruments are received, and the series their tags come from."""

import re
import uuid
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from rentals.inventory.forms import ItemChoice
from rentals.inventory.models import CatalogueItem, Instrument, InstrumentKind, Location, TagSeries
from rentals.inventory.operations.deliveries import DeliveryFacts, DeliveryLine
from rentals.inventory.receiving_rules import MOST_PIECES, read_codes
from rentals.runtime import refill
from rentals.runtime.forms import CodeField, DayField, MoneyField, OfficeForm, WholeNumberField

MOST_LINES = 30
FIRST_LINES = 2


class DeliveryForm(OfficeForm):
    """What holds for the whole delivery."""

    supplier = forms.CharField(label="Supplier", max_length=80, required=False)
    order_number = CodeField(label="Order number", max_length=40, required=False, help_text="As the supplier writes it.")
    location = forms.ModelChoiceField(
        label="Where they stand now", queryset=Location.objects.filter(is_active=True), empty_label="Choose a location"
    )
    acquired_on = DayField(label="Acquired on")
    note = forms.CharField(
        label="Note",
        max_length=200,
        required=False,
        help_text="What the next person should know: one case cracked, two still to come.",
    )
    request_key = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.initial.setdefault("request_key", uuid.uuid4())

    def facts(self) -> DeliveryFacts:
        """Return what was typed, without the key."""
        given = {name: value for name, value in self.cleaned_data.items() if name != "request_key"}
        return DeliveryFacts(**given)


def _codes_box(what: str) -> forms.Textarea:
    """Return a box that codes are scanned or pasted into, one a line; `what` they are, as `receive.js` tells them."""
    attrs = {"rows": 5, "class": "codes-box", "spellcheck": "false", "autocapitalize": "characters", "autocomplete": "off"}
    return forms.Textarea(attrs={**attrs, "data-codes": what})


class LineForm(OfficeForm):
    """Instruments of one model, condition and cost, with their serial numbers. A line left empty is no line."""

    asked_together = frozenset({"item", "pieces", "cost", "grade", "serials"})

    item = ItemChoice(label="Model", queryset=CatalogueItem.objects.none(), required=False, empty_label="Choose a model")
    pieces = WholeNumberField(
        label="How many came",
        required=False,
        min_value=1,
        max_value=MOST_PIECES,
        error_messages={
            "min_value": "Write how many came, or clear the line.",
            "max_value": f"At most {MOST_PIECES} on one line: put the rest on another.",
        },
    )
    cost = MoneyField(label="Cost of each", required=False)
    grade = forms.ChoiceField(label="Condition", choices=Instrument.Grade.choices, initial=Instrument.Grade.NEW, required=False)
    serials = forms.CharField(
        label="Serial numbers",
        required=False,
        help_text="Scan one after the other, or paste one a line. A dash stands for one without.",
        widget=_codes_box("serial numbers"),
    )
    unnumbered = forms.BooleanField(label="None of these has a serial number", required=False)
    tags = forms.CharField(
        label="Tags that are on them already",
        required=False,
        help_text="In the order of the serial numbers. Leave it empty: each gets the next tag of its kind's series.",
        widget=_codes_box("tags"),
    )

    def __init__(self, *args: Any, items: Any = None, **options: Any) -> None:
        super().__init__(*args, **options)
        self.problems: list[Any] = []
        if items is not None:
            self.fields["item"].queryset = items  # type: ignore[attr-defined]

    @property
    def is_line(self) -> bool:
        """Whether anything was told here."""
        given = self.cleaned_data
        return bool(given.get("item") or given.get("pieces") or given.get("serials") or given.get("tags") or given.get("cost"))

    def clean(self) -> dict[str, Any]:
        """Ask for what a line needs once something stands on it."""
        data = super().clean() or self.cleaned_data
        if not self.is_line and not self.errors:
            return data
        for name, words in (
            ("item", "Choose which model came."),
            ("pieces", "Write how many came."),
            ("cost", "Write what the shop paid for each; 0 for a gift."),
        ):
            if name not in self.errors and data.get(name) is None:
                self.add_error(name, words)
        if data.get("serials", "").strip() and data.get("unnumbered"):
            self.add_error("unnumbered", "There are serial numbers in the box: take the tick out, or empty the box.")
        elif not data.get("serials", "").strip() and not data.get("unnumbered"):
            self.add_error("serials", "Scan the serial numbers, or tick that none of these has one.")
        return data

    def line(self) -> DeliveryLine:
        """Return the line that was told."""
        given = self.cleaned_data
        return DeliveryLine(
            item=given["item"],
            pieces=given["pieces"],
            grade=given["grade"] or Instrument.Grade.NEW,
            cost=given["cost"].amount,
            serials=tuple(code.text for code in read_codes(given["serials"])),
            tags=tuple(code.text or "-" for code in read_codes(given["tags"])),
        )

    def tell(self, problems: list[Any]) -> None:
        """Put what an operation found wrong with this line beside its boxes."""
        self.problems = problems
        for box in ("serials", "tags"):
            whole = [problem.message for problem in problems if problem.box == box and not problem.row]
            rows = [problem for problem in problems if problem.box == box and problem.row]
            for message in whole:
                self.add_error(box, message)
            if rows:
                told = "One row of this box needs" if len(rows) == 1 else f"{len(rows)} rows of this box need"
                first = rows[0]
                self.add_error(box, f"{told} another look. Row {first.row}, {first.text}: {first.message}")


class _Lines(forms.BaseFormSet):  # type: ignore[type-arg]
    """The lines of a delivery; asks for the catalogue once."""

    def get_form_kwargs(self, index: int | None) -> dict[str, Any]:
        """Give every line the same models to choose from."""
        return {**super().get_form_kwargs(index), "items": self.items}

    @property
    def items(self) -> Any:
        """The models that are offered, with their kinds."""
        return CatalogueItem.objects.filter(is_active=True).select_related("kind")

    def told(self) -> list[LineForm]:
        """Return the forms that are lines; for a set that is valid."""
        return [form for form in self.forms if form.is_line]


def lines_for(sent: QueryDict | None, *, more: int = 0) -> Any:
    """Return the lines as they were sent, or empty ones; `more` adds that many."""
    typed = sent or refill.typed_before()
    count = FIRST_LINES
    if typed is not None:
        told = str(typed.get("lines-TOTAL_FORMS", ""))
        count = min(int(told), MOST_LINES) if told.isdigit() and int(told) else FIRST_LINES
    if more and sent is not None:
        sent = sent.copy()
        sent["lines-TOTAL_FORMS"] = str(min(count + more, MOST_LINES))
    lines = forms.formset_factory(LineForm, formset=_Lines, extra=count, max_num=MOST_LINES, absolute_max=MOST_LINES)
    return lines(sent, prefix="lines")


class TagSeriesForm(OfficeForm):
    """How the tags of a series look, and which number comes next."""

    kind = forms.ModelChoiceField(
        label="For", queryset=InstrumentKind.objects.none(), required=False, empty_label="Every kind without a series of its own"
    )
    letters = CodeField(label="Letters in front", max_length=8, help_text="Capitals, digits and dashes: FL- gives FL-0042.")
    width = WholeNumberField(label="Digits", min_value=3, max_value=8, initial=4)
    next_number = WholeNumberField(label="Next number", min_value=1, max_value=99_999_999, initial=1)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)
    shown_next = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, series: TagSeries | None = None, **options: Any) -> None:
        super().__init__(*args, **options)
        if series:
            del self.fields["kind"]
        else:
            free = InstrumentKind.objects.exclude(pk__in=TagSeries.objects.exclude(kind=None).values("kind"))
            self.fields["kind"].queryset = free  # type: ignore[attr-defined]

    def clean_letters(self) -> str:
        """Hold it to what a tag may begin with."""
        letters = str(self.cleaned_data["letters"]).replace(" ", "")
        if not re.fullmatch(r"[A-Z0-9][A-Z0-9-]{0,7}", letters):
            raise ValidationError("Write one to eight letters, digits and dashes, a letter or digit first: FL-.", code="invalid")
        return letters

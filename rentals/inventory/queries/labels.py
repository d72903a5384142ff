"""Which labels there are, which instruments never had one, and what a print showed."""

from collections.abc import Sequence
from typing import Any

from django.db.models import Count, Exists, F, OuterRef, QuerySet

from rentals.documents.queries import get_letterhead
from rentals.inventory.labelling.printing import Label, Printer
from rentals.inventory.labelling.sheets import Sheet
from rentals.inventory.models import Custody, Instrument, LabelLayout, LabelPrint, LabelPrinter, PrintedLabel
from rentals.inventory.queries import list_instruments
from rentals.runtime.templatetags.office import phone

GONE = [Custody.Place.SOLD, Custody.Place.RETIRED, Custody.Place.LOST]


def list_never_labelled() -> QuerySet[Instrument]:
    """Return the instruments of the fleet without a label of their present tag, by tag.

    A print that was taken back does not count, nor a label with an earlier tag.
    """
    right = PrintedLabel.objects.filter(
        instrument=OuterRef("pk"), asset_tag=OuterRef("asset_tag"), label_print__taken_back_at=None
    )
    found: Any = list_instruments()
    waiting: QuerySet[Instrument] = found.exclude(here__place__in=GONE).filter(~Exists(right)).order_by("asset_tag")
    return waiting


def list_prints() -> QuerySet[LabelPrint]:
    """Return what was printed, newest first, with how many labels each had."""
    found = LabelPrint.objects.select_related("layout", "printer", "printed_by", "taken_back_by")
    return found.annotate(label_count=Count("labels")).order_by("-printed_at", "-pk")


def get_last_label(instrument: Instrument) -> PrintedLabel | None:
    """Return the label that was printed for an instrument last and came out; None when there is none."""
    found = PrintedLabel.objects.filter(instrument=instrument, label_print__taken_back_at=None)
    return found.select_related("label_print__printed_by").order_by("-label_print__printed_at", "-pk").first()


def next_place(layout: LabelLayout) -> int:
    """Return the first free label of the sheet that was printed on last, 1 where it was used up or none was."""
    last = list_prints().filter(layout=layout, taken_back_at=None).first()
    if last is None:
        return 1
    return (last.starts_at - 1 + int(last.label_count)) % layout.labels_per_page + 1  # type: ignore[attr-defined]


def sheet_of(layout: LabelLayout) -> Sheet:
    """Return a layout as the drawing of sheets takes it."""
    lengths = ("page_width", "page_height", "margin_left", "margin_top", "pitch_x", "pitch_y", "label_width", "label_height")
    return Sheet(columns=layout.columns, rows=layout.rows, **{name: float(getattr(layout, name)) for name in lengths})


def printer_of(printer: LabelPrinter | None) -> Printer:
    """Return a printer as the drawing of sheets takes it; none is one that errs in nothing."""
    if printer is None:
        return Printer()
    return Printer(
        dots_per_inch=printer.dots_per_inch,
        offset_x=float(printer.offset_x),
        offset_y=float(printer.offset_y),
        scale_x=float(printer.scale_x) / 100,
        scale_y=float(printer.scale_y) / 100,
    )


def label_of(instrument: Instrument, tag: str = "") -> Label:
    """Return what stands on an instrument's label; its item and kind must be at hand."""
    return Label(tag=tag or instrument.asset_tag, what=f"{instrument.item.kind.name} {instrument.item.size}".strip())


def list_labels(label_print: LabelPrint) -> list[Label]:
    """Return the labels of a print in their order, with the tags as they were."""
    rows = PrintedLabel.objects.filter(label_print=label_print).select_related("instrument__item__kind")
    return [label_of(row.instrument, row.asset_tag) for row in rows.order_by("place")]


def list_found_lines() -> Sequence[str]:
    """Return what a label says to whoever finds the instrument: the office's name and telephone."""
    office = get_letterhead()
    return [f"If found: {office.name}", *([phone(office.phone)] if office.phone else [])]


def list_by_ids(ids: Sequence[int]) -> list[Instrument]:
    """Return instruments in the order of their ids given, each once; unknown ids are left out."""
    found = {unit.pk: unit for unit in list_instruments().filter(pk__in=set(ids))}
    return [found[key] for key in dict.fromkeys(ids) if key in found]


def list_printers() -> QuerySet[LabelPrinter]:
    """Return the printers in use."""
    return LabelPrinter.objects.filter(is_active=True).select_related("location", "layout").order_by("name")


def list_layouts() -> QuerySet[LabelLayout]:
    """Return the layouts in use, those with many labels a page first."""
    return LabelLayout.objects.filter(is_active=True).order_by(-(F("columns") * F("rows")), "name")

"""Labels: which instruments need one, what is printed on which sheet, the PDF, and what did not come out."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, QuerySet
from django.http import HttpRequest, HttpResponseBase, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_POST, require_safe

from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer
from rentals.inventory.filters import InstrumentFilter
from rentals.inventory.labelling import printing, sheets
from rentals.inventory.labelling.forms import PrintForm, ScannedForm, read_ids
from rentals.inventory.models import Delivery, FleetImport, Instrument, LabelLayout, LabelPrint, LabelPrinter
from rentals.inventory.operations import labels as operations
from rentals.inventory.queries import labels as queries
from rentals.inventory.queries import list_instruments
from rentals.runtime import clock
from rentals.runtime.camera import with_camera
from rentals.runtime.locks import RowsBusyError
from rentals.staff.limits import limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

PAGE = 20
PDFS = 30
"""A minute and person: labels are often printed one by one."""
ON_A_PAGE = 60
SHOWN = 12
"""So many tags stand on the page of what will be printed; the rest are counted."""


@dataclass(frozen=True)
class Chosen:
    """What an address chooses to be printed: in words, the instruments in order, and how many there are in all."""

    words: str
    instruments: Sequence[Instrument]
    total: int


@with_camera
@requires("instruments.label")
def labels(request: HttpRequest) -> HttpResponseBase:
    """Show who has no label yet, the ways to choose others, and what was printed."""
    return _show(request, ScannedForm())


def _show(request: HttpRequest, form: ScannedForm) -> HttpResponseBase:
    waiting = queries.list_never_labelled()
    context = {
        "form": form,
        "waiting": waiting.count(),
        "first": waiting[:SHOWN],
        "imports": FleetImport.objects.order_by("-imported_at")[:3],
        "deliveries": Delivery.objects.annotate(units=Count("instruments")).filter(units__gt=0).order_by("-received_at")[:5],
        "page": Paginator(queries.list_prints(), PAGE).get_page(request.GET.get("page")),
    }
    return render(request, "inventory/labels/overview.html", context, status=422 if form.errors else 200)


@require_POST
@with_camera
@requires("instruments.label")
@stands_on(lambda: reverse("labels"))
def labels_scanned(request: HttpRequest) -> HttpResponseBase:
    """Take tags that were scanned one after the other, and go on to their labels; unknown ones are named and nothing is lost."""
    form = ScannedForm(request.POST)
    if form.is_valid():
        tags = form.cleaned_data["tags"]
        found = dict(Instrument.objects.filter(asset_tag__in=tags).values_list("asset_tag", "pk"))
        missing = [tag for tag in tags if tag not in found]
        if not missing:
            return redirect(f"{reverse('labels_print')}?{urlencode({'instruments': ','.join(str(found[tag]) for tag in tags)})}")
        form.add_error("tags", f"No instrument has the tag {', '.join(missing[:5])}. Correct or delete it.")
    return _show(request, form)


def _chosen(query: QueryDict) -> Chosen:
    """Read what an address asks for; a list of instruments where it names none of the other ways."""
    found: QuerySet[Instrument]
    if query.get("instruments"):
        units = queries.list_by_ids(read_ids(query.get("instruments", "")))
        return Chosen("chosen one by one", units[: operations.MOST_LABELS], len(units))
    number = query.get("import") or query.get("delivery") or ""
    if number.isascii() and number.isdigit() and len(number) < 10:
        column, words = ("fleet_import", "from a spreadsheet") if query.get("import") else ("delivery", "of a delivery")
        found = list_instruments().filter(**{column: number}).order_by("asset_tag")
    elif query.get("which") == "never":
        found, words = queries.list_never_labelled(), "without a label so far"
    else:
        narrowed = InstrumentFilter.read(query)
        listed: Any = narrowed.apply()
        found, words = listed, "of the list"
        if not narrowed.place:
            found, words = listed.exclude(here__place__in=queries.GONE), "of the list, without what is lost, sold or retired"
    return Chosen(words, list(found[: operations.MOST_LABELS]), found.count())


@requires("instruments.label")
def labels_print(request: HttpRequest) -> HttpResponseBase:
    """Show what would be printed, on which sheet, beginning where; a POST notes it as printed and goes on to the PDF."""
    if request.method == "POST":
        form = PrintForm(request.POST)
        if form.is_valid():
            try:
                made = operations.print_labels(**form.cleaned_data, acting_user=acting_user(request), now=clock.now())
            except (operations.NothingToLabelError, operations.NoSuchPlaceError, RequestKeyReusedError) as error:
                form.add_error(None, str(error))
            else:
                return redirect("label_print", print_id=made.pk)
        units = queries.list_by_ids(read_ids(request.POST.get("instruments", "")))
        chosen = Chosen("chosen before", units, len(units))
        layout, printer = form.cleaned_data.get("layout") or _layout(request), form.cleaned_data.get("printer")
        return render(request, "inventory/labels/print.html", _context(form, chosen, layout, printer), status=422)
    chosen, printer = _chosen(request.GET), _printer(request)
    layout = _layout(request, printer)
    begin = queries.next_place(layout) if layout else 1
    ids = ",".join(str(unit.pk) for unit in chosen.instruments)
    initial = {"instruments": ids, "layout": layout and layout.pk, "printer": printer and printer.pk, "starts_at": begin}
    context = _context(PrintForm(initial=initial), chosen, layout, printer)
    kept = [(name, value) for name, value in request.GET.items() if name not in {"layout", "printer"}]
    return render(request, "inventory/labels/print.html", {**context, "kept": kept, "begin": begin})


def _printer(request: HttpRequest) -> LabelPrinter | None:
    """Return the printer the address names; without a word in it, the one this person printed with last."""
    asked = request.GET.get("printer")
    if asked is None:
        last = LabelPrint.objects.filter(printed_by=acting_user(request), printer__is_active=True).first()
        return last.printer if last else None
    return queries.list_printers().filter(pk=asked).first() if asked.isdigit() and len(asked) < 10 else None


def _layout(request: HttpRequest, printer: LabelPrinter | None = None) -> LabelLayout | None:
    """Return the layout the address names, else what the printer is loaded with, else the last one used, else the first."""
    asked, layouts = request.GET.get("layout", ""), queries.list_layouts()
    named = layouts.filter(pk=asked).first() if asked.isdigit() and len(asked) < 10 else None
    if named:
        return named
    if printer and printer.layout and printer.layout.is_active:
        return printer.layout
    last = LabelPrint.objects.filter(printed_by=acting_user(request), layout__is_active=True).first()
    return last.layout if last else layouts.first()


def _context(form: PrintForm, chosen: Chosen, layout: LabelLayout | None, printer: LabelPrinter | None) -> dict[str, Any]:
    starts_at = form["starts_at"].value()
    begin = int(starts_at) if str(starts_at).isdigit() and len(str(starts_at)) < 5 else 1
    per_page = layout.labels_per_page if layout else 1
    return {
        "form": form,
        "chosen": chosen,
        "first": chosen.instruments[:SHOWN],
        "rest": max(len(chosen.instruments) - SHOWN, 0),
        "only_first": f"At most {operations.MOST_LABELS} labels are printed at once: these are the first of {chosen.total:,}. "
        "Print them, then come back for the next.",
        "layouts": queries.list_layouts(),
        "printers": queries.list_printers(),
        "layout": layout,
        "printer": printer,
        "places": range(1, per_page + 1) if per_page > 1 else [],
        "starts_at": begin,
        "sheet_count": sheets.count_pages(len(chosen.instruments), min(begin, per_page), per_page),
    }


def _print_or_404(print_id: int) -> LabelPrint:
    return get_object_or_404(queries.list_prints(), pk=print_id)


@requires("instruments.label")
def label_print(request: HttpRequest, print_id: int) -> HttpResponseBase:
    """Show a print: the way to its PDF, how to print it, and what to do when it did not come out."""
    found = _print_or_404(print_id)
    context = {
        "print": found,
        "page": Paginator(found.labels.select_related("instrument__item__kind").order_by("place"), ON_A_PAGE).get_page(
            request.GET.get("page")
        ),
        "sheet_count": sheets.count_pages(found.label_count, found.starts_at, found.layout.labels_per_page),  # type: ignore[attr-defined]
    }
    return render(request, "inventory/labels/printed.html", context)


@require_safe
@requires("instruments.label")
@limited("labels", per_minute=PDFS)
def label_print_pdf(request: HttpRequest, print_id: int) -> HttpResponseBase:
    """Send the labels of a print as a PDF, drawn anew each time."""
    found = _print_or_404(print_id)
    try:
        content = printing.print_labels(
            sheet=queries.sheet_of(found.layout),
            printer=queries.printer_of(found.printer),
            labels=queries.list_labels(found),
            starts_at=found.starts_at,
            found=queries.list_found_lines(),
            title=f"Labels {found.pk}",
        )
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("label_print", print_id=found.pk)
    return pdf_answer(content, f"labels-{found.pk}.pdf")


def _page_of(print_id: int) -> str:
    return reverse("label_print", args=[print_id])


@require_POST
@requires("instruments.label")
@stands_on(_page_of)
def label_print_take_back(request: HttpRequest, print_id: int) -> HttpResponseBase:
    """Note that labels did not come out, or (`again=1`) that they did after all."""
    found = _print_or_404(print_id)
    try:
        if request.POST.get("again"):
            operations.count_print_again(label_print=found, acting_user=acting_user(request))
            messages.success(request, "These labels count as printed again.")
        else:
            operations.take_back_print(label_print=found, acting_user=acting_user(request), now=clock.now())
            messages.success(request, "These labels count as not printed. Print them again when the printer is ready.")
    except (operations.PrintMovedOnError, RowsBusyError) as error:
        messages.info(request, str(error))
    return redirect("label_print", print_id=found.pk)

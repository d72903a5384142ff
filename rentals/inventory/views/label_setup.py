"""Sheets, rolls and printers for labels, and finding out how a printer errs."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer
from rentals.inventory.forms import show_version
from rentals.inventory.labelling import printing, sheets
from rentals.inventory.labelling.lengths import written
from rentals.inventory.labelling.setup_forms import LayoutForm, MeasuredForm, PrinterForm
from rentals.inventory.models import LabelLayout, LabelPrinter
from rentals.inventory.operations import labels as operations
from rentals.inventory.queries import labels as queries
from rentals.inventory.views.labels import PDFS
from rentals.runtime.locks import RowsBusyError
from rentals.staff.limits import limited
from rentals.staff.policy import acting_user, requires


@requires("labels.set_up")
def label_setup(request: HttpRequest) -> HttpResponseBase:
    """List the printers, and the sheets and rolls."""
    printers = LabelPrinter.objects.select_related("location", "layout").order_by("-is_active", "name")
    layouts = [
        {
            "layout": each,
            "page": f"{written(each.page_width)} × {written(each.page_height)}",
            "label": f"{written(each.label_width)} × {written(each.label_height)}",
        }
        for each in LabelLayout.objects.order_by("-is_active", "name")
    ]
    context = {"printers": [{"printer": each, **_correction(each)} for each in printers], "layouts": layouts}
    return render(request, "inventory/labels/setup.html", context)


def _correction(printer: LabelPrinter) -> dict[str, str]:
    """Write how a printer is corrected: across, then down."""
    return {
        "moved": f"{written(printer.offset_x)} / {written(printer.offset_y)}",
        "stretched": f"{written(printer.scale_x)} / {written(printer.scale_y)}",
    }


@dataclass(frozen=True)
class Sort:
    """A sort of setting: its form and page, and the operations that add and change one."""

    form: type[LayoutForm] | type[PrinterForm]
    template: str
    add: Callable[..., Any]
    change: Callable[..., Any]


LAYOUTS = Sort(
    LayoutForm,
    "inventory/labels/layout_form.html",
    operations.add_layout,
    lambda row, **given: operations.change_layout(layout=row, **given),
)
PRINTERS = Sort(
    PrinterForm,
    "inventory/labels/printer_form.html",
    operations.add_printer,
    lambda row, **given: operations.change_printer(printer=row, **given),
)


def _edit(request: HttpRequest, sort: Sort, row: Any) -> HttpResponseBase:
    """Show the form of a setting (`row`, None for a new one), and save it."""
    initial = {name: getattr(row, name) for name in sort.form.FACTS} | {"version": row.version} if row else {}
    form = sort.form(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid() and _save(request, sort, row, form):
        messages.success(request, f"{form.cleaned_data['name']} is {'changed' if row else 'set up'}.")
        return redirect("label_setup")
    return render(request, sort.template, {"form": form, "row": row}, status=422 if form.errors else 200)


def _save(request: HttpRequest, sort: Sort, row: Any, form: LayoutForm | PrinterForm) -> bool:
    """Add or change it; False when that was refused, and the form says why."""
    facts = {name: form.cleaned_data[name] for name in form.FACTS}
    try:
        if row is None:
            sort.add(facts=facts, acting_user=acting_user(request))
        else:
            sort.change(row, version=form.cleaned_data["version"] or 0, facts=facts, acting_user=acting_user(request))
    except operations.LabelNameTakenError as error:
        form.add_error("name", str(error))
    except (operations.LabelSettingChangedError, RowsBusyError) as error:
        form.add_error(None, str(error))
        show_version(form, type(row).objects.get(pk=row.pk).version)
    return not form.errors


@requires("labels.set_up")
def label_layout_add(request: HttpRequest) -> HttpResponseBase:
    """Add a sheet or a roll."""
    return _edit(request, LAYOUTS, None)


@requires("labels.set_up")
def label_layout_change(request: HttpRequest, layout_id: int) -> HttpResponseBase:
    """Change a sheet or a roll."""
    return _edit(request, LAYOUTS, get_object_or_404(LabelLayout, pk=layout_id))


@requires("labels.set_up")
def label_printer_add(request: HttpRequest) -> HttpResponseBase:
    """Add a printer."""
    return _edit(request, PRINTERS, None)


@requires("labels.set_up")
def label_printer_change(request: HttpRequest, printer_id: int) -> HttpResponseBase:
    """Change a printer."""
    return _edit(request, PRINTERS, get_object_or_404(LabelPrinter, pk=printer_id))


def _layout_of(request: HttpRequest, printer: LabelPrinter) -> LabelLayout:
    """Return the layout the address names, else what the printer is usually loaded with, else the first; 404 without any."""
    asked = request.GET.get("layout", "")
    layouts = queries.list_layouts()
    if asked.isdigit() and len(asked) < 10:
        return get_object_or_404(layouts, pk=asked)
    return printer.layout or get_object_or_404(layouts, pk=getattr(layouts.first(), "pk", 0))


@requires("labels.set_up")
def label_calibrate(request: HttpRequest, printer_id: int) -> HttpResponseBase:
    """Find out how a printer errs: a sheet with two crosses, and where they came out."""
    printer = get_object_or_404(LabelPrinter.objects.select_related("layout"), pk=printer_id)
    layout = _layout_of(request, printer)
    form = MeasuredForm(request.POST or None, layout=layout, initial={"version": printer.version})
    if request.method == "POST" and form.is_valid():
        try:
            operations.calibrate_printer(
                printer=printer,
                version=form.cleaned_data["version"],
                correction=form.cleaned_data["correction"],
                acting_user=acting_user(request),
            )
        except operations.LabelSettingChangedError as error:
            form.add_error(None, str(error))
            show_version(form, LabelPrinter.objects.get(pk=printer.pk).version)
        else:
            messages.success(
                request, f"{printer} is corrected. Print the check sheet: its crosses should stand where they are meant to."
            )
            return redirect(f"{reverse('label_calibrate', args=[printer.pk])}?layout={layout.pk}")
    context = {"form": form, "printer": printer, "layout": layout, "layouts": queries.list_layouts(), **_correction(printer)}
    return render(request, "inventory/labels/calibrate.html", context, status=422 if form.errors else 200)


@require_safe
@requires("labels.set_up")
@limited("labels", per_minute=PDFS)
def label_calibration_pdf(request: HttpRequest, printer_id: int) -> HttpResponseBase:
    """Send the calibration sheet, uncorrected; with `?check=1` as the printer is corrected now."""
    printer = get_object_or_404(LabelPrinter.objects.select_related("layout"), pk=printer_id)
    layout, checks = _layout_of(request, printer), bool(request.GET.get("check"))
    sheet = queries.sheet_of(layout)
    (left, top), (right, bottom) = sheets.marks_of(sheet.page_width, sheet.page_height)
    words = [
        f"Printer: {printer.name}. Sheet: {layout.name}. Print at actual size (100 %), not fitted to the page.",
        f"The first cross should stand {left:g} mm from the left and {top:g} mm from the upper edge of the paper.",
        f"The second cross should stand {right:g} mm from the left and {bottom:g} mm from the upper edge.",
    ]
    try:
        content = printing.print_calibration(
            sheet=sheet,
            printer=queries.printer_of(printer) if checks else printing.Printer(),
            title="Check sheet" if checks else "Calibration sheet",
            words=words,
        )
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("label_calibrate", printer_id=printer.pk)
    return pdf_answer(content, f"{'check' if checks else 'calibration'}-{printer.pk}.pdf")

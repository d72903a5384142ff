"""A fleet coming in from a spreadsheet: choose the file, settle its columns, look at the check, take it in."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from rentals.inventory.forms import ColumnsForm, FleetFileForm
from rentals.inventory.importing import reading
from rentals.inventory.models import FleetImport, ImportDraft
from rentals.inventory.operations import imports as operations
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires

SHOWN_ROWS = 20
SHOWN_ERRORS = 200


def _steps(draft: ImportDraft | None, now: int) -> list[dict[str, str]]:
    urls = ["", reverse("import_columns", args=[draft.pk]) if draft else "", ""]
    states = ["done" if place < now else "now" if place == now else "ahead" for place in range(3)]
    names = ["Choose the file", "Settle the columns", "Check and take in"]
    return [{"label": name, "state": state, "url": url} for name, state, url in zip(names, states, urls, strict=True)]


@requires("fleet.import")
def fleet_import(request: HttpRequest) -> HttpResponseBase:
    """Choose a file; what it says is kept until it is taken in."""
    form = FleetFileForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            draft = operations.keep_draft(file_name=file.name, content=file.read(), acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
        except (reading.FileRefusedError, operations.FileTakenInError) as error:
            form.add_error("file", str(error))
        else:
            return redirect("import_columns", draft_id=draft.pk)
    context = {
        "form": form,
        "steps": _steps(None, 0),
        "drafts": ImportDraft.objects.filter(taken_in=None).select_related("made_by").defer("rows").order_by("-pk")[:5],
        "imports": FleetImport.objects.select_related("imported_by").order_by("-imported_at")[:10],
    }
    return render(request, "inventory/fleet_import.html", context, status=422 if form.errors else 200)


@requires("fleet.import")
def import_columns(request: HttpRequest, draft_id: int) -> HttpResponseBase:
    """Say which of the file's columns is which of ours."""
    draft = get_object_or_404(ImportDraft, pk=draft_id)
    if draft.taken_in_id:
        return _already(request)
    form = ColumnsForm(request.POST or None, draft=draft)
    if request.method == "POST" and form.is_valid():
        operations.settle_columns(draft=draft, mapping=form.mapping(), settings=form.settings(), acting_user=request.user)  # type: ignore[arg-type]
        return redirect("import_check", draft_id=draft.pk)
    context = {"form": form, "draft": draft, "steps": _steps(draft, 1), "sample": draft.rows[:3], "row_count": len(draft.rows)}
    return render(request, "inventory/import_columns.html", context, status=422 if form.errors else 200)


@requires("fleet.import")
def import_check(request: HttpRequest, draft_id: int) -> HttpResponseBase:
    """Show what the file would bring and what stands in its way; a POST takes all of it in, or nothing."""
    draft = get_object_or_404(ImportDraft, pk=draft_id)
    if draft.taken_in_id:
        return _already(request)
    status = 200
    problem = ""
    if request.method == "POST":
        try:
            taken = operations.import_fleet(draft=draft, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
        except operations.FileTakenInError as error:
            messages.info(request, str(error))
            return redirect("fleet_import")
        except (operations.ImportHasErrorsError, operations.FleetChangedError) as error:
            problem, status = str(error), 409
        else:
            messages.success(request, f"{taken.row_count:,} instruments are in the fleet, from {taken.file_name}.")
            return redirect("instruments")
    checked = operations.check_draft(draft)
    context: dict[str, Any] = {
        "draft": draft,
        "problem": problem,
        "steps": _steps(draft, 2),
        "units": checked.units[:SHOWN_ROWS],
        "unit_count": len(checked.units),
        "new_items": list(checked.new_items.values()),
        "errors": checked.errors[:SHOWN_ERRORS],
        "error_count": len(checked.errors),
        "bad_rows": len({error.row for error in checked.errors}),
    }
    return render(request, "inventory/import_check.html", context, status=status)


def _already(request: HttpRequest) -> HttpResponseBase:
    messages.info(request, "This file was taken in already. Nothing was added again.")
    return redirect("fleet_import")


@requires("fleet.import")
@limited("export", per_minute=EXPORTS)
def import_errors(request: HttpRequest, draft_id: int) -> HttpResponseBase:
    """Send every error of a draft as a CSV file, to work through beside the spreadsheet."""
    draft = get_object_or_404(ImportDraft, pk=draft_id)
    errors = operations.check_draft(draft).errors
    rows = ([error.row, error.column, error.value, error.message] for error in errors)
    return stream_csv("rows-to-correct.csv", ["Row", "Column", "What stands there", "What to do"], rows)

"""A district's spreadsheet: choose it, look at what it brings, take all of it in. Meanwhile it is kept in the page, signed."""

from collections.abc import Iterable
from typing import Any
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.core import signing
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.inventory.forms import FleetFileForm
from rentals.inventory.importing.columns import Column
from rentals.inventory.importing.reading import FileRefusedError, Table
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools.importing import operations
from schools.importing.columns import LIST_COLUMNS, SCHOOL_COLUMNS
from schools.importing.outcome import Outcome

KEPT_SECONDS = 4 * 3600
LONGEST = 1_500_000
"""Characters of a kept file; a form may bring 2.5 million."""
SHOWN = 200


class FileForm(FleetFileForm):
    """A district's spreadsheet."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        words = f"CSV or Excel (.xlsx), up to {operations.MOST_ROWS} rows. The first row names the columns."
        self.fields["file"].help_text = words


class TakeInForm(forms.Form):
    """What was shown comes back to be taken in."""

    sealed = forms.CharField(max_length=LONGEST, strip=False)
    shown = forms.CharField(max_length=64)
    request_key = forms.UUIDField()


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def school_import(request: HttpRequest) -> HttpResponseBase:
    """Choose a file, and see what it would bring; nothing is written."""
    form = FileForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        try:
            table, layout = operations.read_file(form.cleaned_data["file"].read())
        except FileRefusedError as error:
            form.add_error("file", str(error))
        else:
            outcome = operations.look_through(table, acting_user=acting_user(request), today=clock.today())
            return _check(request, table, outcome, unread=layout.unread)
    context = {"form": form, "columns": SCHOOL_COLUMNS, "list_columns": LIST_COLUMNS}
    return render(request, "schools/import.html", context, status=422 if form.errors else 200)


def _page() -> str:
    return reverse("school_import")


@requires("schools.edit")
@require_POST
@stands_on(_page)
def school_import_take_in(request: HttpRequest) -> HttpResponseBase:
    """Take in what was shown, all of it or nothing."""
    form = TakeInForm(request.POST)
    table = _unsealed(request, form.cleaned_data["sealed"]) if form.is_valid() else None
    if table is None:
        messages.error(request, "The file was looked at too long ago: choose it again.")
        return redirect("school_import")
    try:
        added, changed = operations.take_in(
            table,
            shown=form.cleaned_data["shown"],
            request_key=form.cleaned_data["request_key"],
            acting_user=acting_user(request),
            today=clock.today(),
        )
    except operations.FileNotTakenInError as error:
        return _check(request, table, error.outcome, problem=str(error))
    except RequestKeyReusedError as error:
        messages.error(request, str(error))
        return redirect("school_import")
    messages.success(request, f"Taken in: {added} new, {changed} changed.")
    return redirect("schools")


@requires("schools.edit")
@require_safe
def school_import_template(request: HttpRequest) -> HttpResponseBase:
    """Send the empty table for schools, programmes and directors."""
    return _template("schools.csv", SCHOOL_COLUMNS)


@requires("schools.edit")
@require_safe
def school_import_lists_template(request: HttpRequest) -> HttpResponseBase:
    """Send the empty table for required lists."""
    return _template("required-lists.csv", LIST_COLUMNS)


def _template(name: str, columns: Iterable[Column]) -> HttpResponseBase:
    return stream_csv(name, [column.label for column in columns], [])


def _check(
    request: HttpRequest, table: Table, outcome: Outcome, *, problem: str = "", unread: Iterable[str] = ()
) -> HttpResponse:
    sealed = signing.dumps({"header": table.header, "rows": table.rows}, salt=_salt(request), compress=True)
    if len(sealed) > LONGEST:
        form = FileForm()
        form.errors["file"] = form.error_class(["The file says too much in its cells: split it into several files."])
        context = {"form": form, "columns": SCHOOL_COLUMNS, "list_columns": LIST_COLUMNS}
        return render(request, "schools/import.html", context, status=422)
    context = {
        "outcome": outcome,
        "errors": outcome.errors[:SHOWN],
        "changes": outcome.changes[:SHOWN],
        "bad_rows": len({error.row for error in outcome.errors}),
        "unread": list(unread),
        "problem": problem,
        "sealed": sealed,
        "shown": outcome.fingerprint(),
        "request_key": uuid4(),
    }
    return render(request, "schools/import_check.html", context, status=409 if problem else 422 if outcome.errors else 200)


def _unsealed(request: HttpRequest, sealed: str) -> Table | None:
    try:
        kept = signing.loads(sealed, salt=_salt(request), max_age=KEPT_SECONDS)
    except signing.BadSignature:
        return None
    return operations.as_table(kept["header"], kept["rows"])


def _salt(request: HttpRequest) -> str:
    return f"schools.import:{acting_user(request).pk}"

"""Saying once what the columns of a list mean, while seeing what is read by them."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.banking import lists, readers
from billing.banking.list_forms import ColumnsForm, WrittenForm, first_answers
from billing.banking.readers import BankFileError, Mapping, Sheet
from billing.banking.readers.sheet import DELIMITERS
from billing.banking.readers.text import SPELLINGS, spelling_of
from billing.banking.views.common import REFUSALS
from billing.models import BankAccount, BankFile
from billing.views.common import person
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.staff.policy import requires

ROWS, LINES = 6, 8
WRITTEN = {"spelling": SPELLINGS, "delimiter": DELIMITERS}


@requires("bank.import")
@never_cache
def bank_columns(request: HttpRequest, file_id: int) -> HttpResponseBase:
    """Show the first rows of a list, ask what its columns mean, and show what is read by them; then go on to the file."""
    file = get_object_or_404(BankFile.objects.select_related("read_by"), pk=file_id)
    if not file.is_list:
        return redirect("bank_file", file.pk)
    try:
        read = _read(request, file)
    except lists.SealLostError as lost:
        lists.throw_away(file=file)
        messages.error(request, str(lost))
        return redirect("bank_files")
    form, sheet = read.form, read.sheet
    is_trial = "try" in request.POST
    if form.is_bound and form.is_valid() and not is_trial:
        try:
            lists.tell_columns(
                file=file, whose=form.whose(), mapping=form.mapping(), acting_user=person(request), now=clock.now()
            )
        except REFUSALS as refused:
            form.add_error(None, str(refused))
        else:
            return redirect("bank_file", file.pk)
    context = {
        "file": file,
        "form": form,
        "sheet": sheet,
        "written": read.written,
        "rows": sheet.body[:ROWS],
        "back": {"label": "Bank files", "url": reverse("bank_files")},
        **_tried(form, sheet),
    }
    return render(request, "billing/bank/columns.html", context, status=422 if form.errors and not is_trial else 200)


@requires("bank.import")
@require_POST
def columns_tried(request: HttpRequest, file_id: int) -> HttpResponseBase:
    """Say while one chooses what is read by the columns, or what does not fit."""
    file = get_object_or_404(BankFile, pk=file_id, taken_at=None, sealed__isnull=False)
    try:
        read = _read(request, file)
    except lists.SealLostError as lost:
        return render(request, "billing/bank/columns_tried.html", {"refusal": str(lost)})
    return render(request, "billing/bank/columns_tried.html", _tried(read.form, read.sheet))


@dataclass(frozen=True)
class Read:
    """A list as it is read now, with the form of its columns, and the form of how it is written."""

    sheet: Sheet
    form: ColumnsForm
    written: WrittenForm


def _read(request: HttpRequest, file: BankFile) -> Read:
    """Read a list as it is chosen now, else as it was told before, else as it is guessed. Raises SealLostError."""
    guessed = lists.open_sheet(file)
    layout = lists.find_layout(guessed)
    told = {key: (layout.columns.get(key, "") if layout else "") for key in WRITTEN}
    how, refusal = _how_written(request, guessed, told), ""
    shown = {"spelling": how["spelling"] or spelling_of(guessed.encoding), "delimiter": how["delimiter"] or guessed.delimiter}
    try:
        sheet = lists.open_sheet(file, **how) if any(how.values()) else guessed
    except BankFileError as refused:
        refusal, sheet, how = str(refused), guessed, dict.fromkeys(WRITTEN, "")
    accounts = list(BankAccount.objects.order_by("name"))
    as_told = (told["delimiter"] or guessed.delimiter) == sheet.delimiter
    initial = {**first_answers(sheet, layout, accounts, as_told=as_told), **how}
    form = ColumnsForm(request.POST if request.method == "POST" else None, sheet=sheet, accounts=accounts, initial=initial)
    written = WrittenForm(shown)
    if refusal:
        written.add_error(None, refusal)
    return Read(sheet, form, written)


def _how_written(request: HttpRequest, guessed: Sheet, told: dict[str, str]) -> dict[str, str]:
    """Return how a list is to be read: as was sent, else as was told before; "" for what the guess says too."""
    if request.method == "POST":
        return {key: request.POST.get(key, "") if request.POST.get(key) in known else "" for key, known in WRITTEN.items()}
    asked = WrittenForm(request.GET if set(WRITTEN) <= set(request.GET) else None)
    if not (asked.is_bound and asked.is_valid()):
        return told
    as_guessed = {"spelling": spelling_of(guessed.encoding), "delimiter": guessed.delimiter}
    return {key: "" if asked.cleaned_data[key] == as_guessed[key] else asked.cleaned_data[key] for key in WRITTEN}


def _tried(form: ColumnsForm, sheet: Sheet) -> dict[str, Any]:
    """Read the list by what is chosen so far: the first lines and what they come to, or why it cannot be read."""
    missing = form.missing() if form.is_bound else ""
    mapping = None if missing else form.mapping() if form.is_bound else _first_mapping(form)
    if mapping is None:
        return {"refusal": missing, "account": None}
    try:
        (account,) = (found := readers.read_list(sheet, mapping)).accounts
    except BankFileError as refused:
        return {"refusal": str(refused)}
    came = sum((line.amount for line in account.lines if line.amount > 0), ZERO)
    went = sum((line.amount for line in account.lines if line.amount < 0), ZERO)
    return {"account": account, "lines": account.lines[:LINES], "came": came, "went": went, "notes": found.notes}


def _first_mapping(form: ColumnsForm) -> Mapping | None:
    """Return the columns as they were guessed or told before, None where too little is known of them."""
    given = {key: value for key, value in form.initial.items() if value != ""}
    columns = {"date", "name"} | ({"debit", "credit"} if given.get("shape") == "two" else {"amount"})
    return Mapping.of_contents(given) if columns <= set(given) else None

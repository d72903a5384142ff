"""Letters for the printer, and the batches in which they are printed."""

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.documents import letters, queries, sheets
from rentals.documents.models import PrintBatch
from rentals.documents.outbox_views import row_of
from rentals.documents.pdf import CannotMakePdfError
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import acting_user, requires

State = PrintBatch.State
TONES = {State.OPEN: "warn", State.PRINTED: "good", State.DISSOLVED: "quiet"}


@requires("outbox.view")
@never_cache
def letter_list(request: HttpRequest) -> HttpResponseBase:
    """List the letters that wait for the printer, in the order in which they will lie on it, and the open batches."""
    ready = sorted(queries.list_letters_to_print().defer("document__content", "document__payload"), key=letters.by_zip)
    context = {
        "rows": [row_of(letter) for letter in ready[: letters.MOST_LETTERS]],
        "count": len(ready),
        "most": letters.MOST_LETTERS,
        "not_made": queries.count_letters_without_batch() - len(ready),
        "open_batches": queries.list_open_batches(),
        "request_key": uuid4(),
        "back": {"label": "Outbox", "url": reverse("outbox")},
        "actions": [{"label": "Earlier batches", "url": reverse("batches")}],
    }
    return render(request, "outbox/letters.html", context)


@requires("outbox.view")
@never_cache
def batch_list(request: HttpRequest) -> HttpResponseBase:
    """List the print batches that are over, newest first."""
    page = Paginator(queries.list_ended_batches(), 50).get_page(request.GET.get("page"))
    rows = [{"batch": batch, "status": _status(batch)} for batch in page]
    return render(request, "outbox/batches.html", {"page": page, "rows": rows, "back": _letters()})


@requires("outbox.send")
@require_POST
def batch_make(request: HttpRequest) -> HttpResponseBase:
    """Put the ticked letters into a new batch, and make its PDF."""
    try:
        batch = letters.make_batch(
            message_ids=_ids(request.POST.getlist("letter")),
            request_key=_uuid(request.POST.get("request_key", "")),
            acting_user=acting_user(request),
            now=clock.now(),
        )
    except (letters.NoLettersError, RequestKeyReusedError, RowsBusyError) as error:
        messages.error(request, str(error))
        return redirect("letters")
    _make_pdf(request, batch)
    return redirect("batch", batch.pk)


@requires("outbox.view")
@never_cache
def batch(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Show a batch: its letters in their order, its PDF, and whether it came out well."""
    found = get_object_or_404(PrintBatch.objects.select_related("made_by", "ended_by"), pk=batch_id)
    lying = found.letters.select_related("household").defer("body").order_by("batch_position")
    context = {
        "batch": found,
        "rows": [row_of(letter) for letter in lying],
        "status": _status(found),
        "back": _letters(),
    }
    return render(request, "outbox/batch.html", context)


@requires("outbox.view")
@never_cache
def batch_pdf(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Give the archived PDF of a batch: the same bytes each time."""
    found = get_object_or_404(PrintBatch.objects.select_related("document"), pk=batch_id)
    if found.document is None:
        raise Http404
    return sheets.pdf_answer(bytes(found.document.content or b""), f"letters-batch-{found.number}.pdf")


@requires("outbox.send")
@require_POST
def batch_pdf_make(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Make the PDF of a batch, where that did not work at once."""
    found = get_object_or_404(PrintBatch, pk=batch_id)
    _make_pdf(request, found)
    return redirect("batch", found.pk)


@requires("outbox.send")
@require_POST
def batch_printed(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Note that a batch came out of the printer well."""
    found = get_object_or_404(PrintBatch, pk=batch_id)
    try:
        letters.note_printed(batch=found, acting_user=acting_user(request), now=clock.now())
    except (letters.BatchOverError, letters.BatchNotMadeError, RowsBusyError) as error:
        messages.error(request, str(error))
        return redirect("batch", found.pk)
    count = found.letter_count
    messages.success(request, f"Noted: {count} {'letter' if count == 1 else 'letters'} printed. They go out with the post.")
    return redirect("letters")


@requires("outbox.send")
def batch_dissolve(request: HttpRequest, batch_id: int) -> HttpResponseBase:
    """Ask, then let the letters of a batch go."""
    found = get_object_or_404(PrintBatch, pk=batch_id)
    if request.method != "POST":
        return render(request, "outbox/dissolve.html", {"batch": found, "url": reverse("batch", args=[found.pk])})
    try:
        letters.dissolve(batch=found, acting_user=acting_user(request), now=clock.now())
    except (letters.BatchOverError, RowsBusyError) as error:
        messages.error(request, str(error))
        return redirect("batch", found.pk)
    messages.success(request, f"{found} is dissolved; its letters wait for the printer again.")
    return redirect("letters")


def _make_pdf(request: HttpRequest, found: PrintBatch) -> None:
    """Make the PDF now; where it does not work, say so: the batch stands, and its page offers to try again."""
    try:
        letters.make_pdf(batch=found, now=clock.now())
    except (CannotMakePdfError, letters.BatchOverError, RowsBusyError) as error:
        messages.error(request, str(error))


def _letters() -> dict[str, str]:
    return {"label": "Letters to print", "url": reverse("letters")}


def _status(found: PrintBatch) -> dict[str, Any]:
    state = State(found.state)
    return {"word": state.label, "tone": TONES[state]}


def _ids(texts: list[str]) -> list[int]:
    return [int(text) for text in texts if text.isascii() and text.isdigit() and len(text) < 19]


def _uuid(text: str) -> UUID:
    """Read the key of the form; a form without one makes a batch of its own."""
    try:
        return UUID(text)
    except ValueError:
        return uuid4()

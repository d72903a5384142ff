"""One document: its state, its pages on the screen or saved, and another try when it could not be made."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import NoReverseMatch, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.documents import operations, queries, sheets
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document
from rentals.runtime import clock
from rentals.staff.policy import requires

TONES = {Document.State.WAITING: "info", Document.State.MADE: "good", Document.State.FAILED: "bad"}
WORDS = {Document.State.WAITING: "Being made", Document.State.MADE: "Ready", Document.State.FAILED: "Not made"}


@requires("documents.view")
@never_cache
def document(request: HttpRequest, document_id: int) -> HttpResponseBase:
    """Show what the document is, whether it is made, and which mails and letters carried it."""
    return render(request, "outbox/document.html", _context(request, document_id))


@requires("documents.view")
@never_cache
def document_state(request: HttpRequest, document_id: int) -> HttpResponseBase:
    """Answer the page's question whether the document is made by now."""
    return render(request, "outbox/document_state.html", _context(request, document_id))


@requires("documents.view")
@never_cache
def document_pdf(request: HttpRequest, document_id: int) -> HttpResponseBase:
    """Send the archived bytes, the same each time: on the screen, or saved with `?save=1`."""
    visible = queries.list_visible_documents(user=request.user)  # type: ignore[arg-type]
    found = get_object_or_404(visible, pk=document_id, state=Document.State.MADE)
    return sheets.pdf_answer(bytes(found.content or b""), file_name(found), save=bool(request.GET.get("save")))


@requires("documents.make_again")
@require_POST
def document_make_again(request: HttpRequest, document_id: int) -> HttpResponseBase:
    """Let a document that could not be made be tried anew."""
    found = get_object_or_404(queries.list_visible_documents(user=request.user), pk=document_id)  # type: ignore[arg-type]
    try:
        operations.make_again(document=found, now=clock.now())
    except operations.DocumentMadeAlreadyError as error:
        messages.info(request, str(error))
    return redirect("document", document_id=found.pk)


def file_name(found: Document) -> str:
    """Return a name for the saved file that says what it is and names no family: "agreement-A-000017.pdf"."""
    about = "".join(
        letter for letter in found.about.rpartition("/")[2] if letter.isascii() and (letter.isalnum() or letter == "-")
    )
    return f"{found.kind}-{about or found.pk}.pdf"


def _record(about: str) -> list[dict[str, str]]:
    """Give the way to the record a document is about, where that record has a page of its own."""
    what, _slash, key = about.partition("/")
    try:
        url = reverse(what, args=[int(key)])
    except (NoReverseMatch, ValueError):
        return []
    return [{"label": "About", "value": f"The {what} it belongs to", "url": url}]


def _context(request: HttpRequest, document_id: int) -> dict[str, Any]:
    visible = queries.list_visible_documents(user=request.user)  # type: ignore[arg-type]
    found = get_object_or_404(visible.defer("content", "payload"), pk=document_id)
    state = Document.State(found.state)
    return {
        "document": found,
        "kind_name": get_kind(found.kind).name,
        "status": {"word": WORDS[state], "tone": TONES[state]},
        "sent_in": found.messages.order_by("-queued_at", "-pk"),
        "facts": [
            {"label": "Kind", "value": get_kind(found.kind).name},
            *_record(found.about),
            {"label": "SHA-256", "value": found.sha256 or "Known once it is made"},
        ],
        "back": {"label": "Outbox", "url": reverse("outbox")},
    }

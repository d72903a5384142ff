"""The outbox: what goes to families, what became of it, and the letters for the printer."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.documents import letters, operations, outbox, queries
from rentals.documents.kinds import KINDS
from rentals.documents.models import OutboxMessage
from rentals.documents.pdf import CannotMakePdfError
from rentals.runtime import clock
from rentals.staff.policy import may, requires

State = OutboxMessage.State
TONES = {State.SENT: "good", State.PRINTED: "good", State.FAILED: "bad", State.TO_PRINT: "warn", State.CANCELLED: "quiet"}
WAITING_MAIL = (State.QUEUED, State.FAILED)


@requires("outbox.view")
def message_list(request: HttpRequest) -> HttpResponseBase:
    """List mails and letters, newest first, filtered by the address."""
    wanted = {name: request.GET.get(name, "").strip() for name in ("state", "kind", "text")}
    page = Paginator(queries.list_messages(**wanted), 50).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": [_row(message) for message in page],
        "wanted": wanted,
        "filtered": any(wanted.values()),
        "states": State.choices,
        "kinds": [(kind.code, kind.name) for kind in KINDS.values()],
        "failed_mails": queries.count_failed_mails(),
        "failed_documents": queries.list_failed_documents(user=request.user)[:20],  # type: ignore[arg-type]
        "actions": _reminders() if may(request.user, "outbox.send") else [],
        "to_print": queries.count_letters_to_print(),
    }
    return render(request, "outbox/list.html", context)


@requires("outbox.view")
@never_cache
def message(request: HttpRequest, message_id: int) -> HttpResponseBase:
    """Show one mail or letter: to whom, why, with which document, and what became of it."""
    found = get_object_or_404(OutboxMessage.objects.select_related("household", "document", "queued_by"), pk=message_id)
    context = {
        "row": _row(found),
        "message": found,
        "is_mail": found.channel == OutboxMessage.Channel.MAIL,
        "may_send": found.state in WAITING_MAIL,
        "may_cancel": found.state in (*WAITING_MAIL, State.TO_PRINT),
        "back": {"label": "Outbox", "url": reverse("outbox")},
    }
    return render(request, "outbox/message.html", context)


@requires("outbox.send")
@require_POST
def message_send(request: HttpRequest, message_id: int) -> HttpResponseBase:
    """Send a mail now, or try one again that was given up."""
    found = get_object_or_404(OutboxMessage, pk=message_id)
    try:
        outbox.send_now(message=found, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    except outbox.MessageCannotChangeError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "The mail goes out now; this page says what became of it.")
    return redirect("outbox_message", message_id=found.pk)


@requires("outbox.send")
def message_cancel(request: HttpRequest, message_id: int) -> HttpResponseBase:
    """Ask, then cancel what has not gone out."""
    found = get_object_or_404(OutboxMessage.objects.select_related("household"), pk=message_id)
    if request.method != "POST":
        return render(request, "outbox/cancel.html", {"message": found, "row": _row(found)})
    try:
        outbox.cancel_message(message=found, acting_user=request.user)  # type: ignore[arg-type]
    except outbox.MessageCannotChangeError as error:
        messages.error(request, str(error))
    return redirect("outbox_message", message_id=found.pk)


@requires("outbox.view")
@never_cache
def letter_list(request: HttpRequest) -> HttpResponseBase:
    """List the letters that wait for the printer, in the order in which they will lie on it."""
    ready = sorted(queries.list_letters_to_print().defer("document__content", "document__payload"), key=letters.by_zip)
    context = {
        "rows": [_row(letter) for letter in ready[: letters.MOST_LETTERS]],
        "count": len(ready),
        "most": letters.MOST_LETTERS,
        "not_made": queries.count_letters_to_print() - len(ready),
        "back": {"label": "Outbox", "url": reverse("outbox")},
    }
    return render(request, "outbox/letters.html", context)


@requires("outbox.send")
@require_POST
@never_cache
def letters_print(request: HttpRequest) -> HttpResponseBase:
    """Give the ticked letters as one PDF. Changes nothing."""
    try:
        batch = letters.make_batch(message_ids=_ids(request.POST.getlist("letter")), made_by=str(request.user), now=clock.now())
    except (letters.NoLettersError, CannotMakePdfError) as error:
        messages.error(request, str(error))
        return redirect("letters")
    answer = HttpResponse(batch.content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="letters-{clock.today().isoformat()}.pdf"'
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, no-store"
    return answer


@requires("outbox.send")
@require_POST
def letters_printed(request: HttpRequest) -> HttpResponseBase:
    """Note that the ticked letters were printed and go out with the post."""
    ids = _ids(request.POST.getlist("letter"))
    noted = operations.mark_printed(message_ids=ids, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    if noted:
        messages.success(request, f"Noted: {noted} {'letter' if noted == 1 else 'letters'} printed.")
    else:
        messages.info(request, "Tick the letters that came out of the printer, then note them as printed.")
    return redirect("letters")


def _reminders() -> list[dict[str, Any]]:
    """Where the letters to many families at once are looked at beforehand; by name, because those rooms stand above this one."""
    return [
        {"label": "Overdue notices", "url": reverse("overdue_notices")},
        {"label": "Cleaning reminders", "url": reverse("cleaning_reminders")},
    ]


def _ids(texts: list[str]) -> list[int]:
    return [int(text) for text in texts if text.isascii() and text.isdigit() and len(text) < 19]


def _row(message: OutboxMessage) -> dict[str, Any]:
    kind = KINDS.get(message.kind)
    state = State(message.state)
    return {
        "message": message,
        "url": reverse("outbox_message", args=[message.pk]),
        "kind": kind.name if kind else message.kind.replace("_", " ").capitalize(),
        "status": {"word": state.label, "tone": TONES.get(state, "info")},
        "postal_code": letters.zip_of(message.to_address),
    }

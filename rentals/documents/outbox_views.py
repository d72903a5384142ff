"""The outbox: what goes to families, what became of it, and the letters for the printer."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.documents import letters, outbox, queries, returns
from rentals.documents.kinds import KINDS
from rentals.documents.models import OutboxMessage
from rentals.documents.reasons import is_courtesy
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
        "rows": [row_of(message) for message in page],
        "wanted": wanted,
        "filtered": any(wanted.values()),
        "states": [*State.choices, (queries.COMPLAINED, "Called junk, not seen yet")],
        "kinds": [(kind.code, kind.name) for kind in KINDS.values()],
        "failed_mails": queries.count_failed_mails(),
        "complaints": queries.count_complaints(),
        "failed_documents": queries.list_failed_documents(user=request.user)[:20],  # type: ignore[arg-type]
        "actions": _elsewhere(request.user),
        "to_print": queries.count_letters_to_print(),
    }
    return render(request, "outbox/list.html", context)


@requires("outbox.view")
@never_cache
def message(request: HttpRequest, message_id: int) -> HttpResponseBase:
    """Show one mail or letter: to whom, why, with which document, and what became of it."""
    found = get_object_or_404(
        OutboxMessage.objects.select_related("household", "document", "queued_by", "guardian", "batch"), pk=message_id
    )
    context = {
        "row": row_of(found),
        "message": found,
        "is_mail": found.channel == OutboxMessage.Channel.MAIL,
        "may_send": found.state in WAITING_MAIL,
        "held_back": _is_held_back(found),
        "is_courtesy": is_courtesy(found.kind),
        "may_cancel": found.state in (*WAITING_MAIL, State.TO_PRINT) and found.batch_id is None,
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
        return render(request, "outbox/cancel.html", {"message": found, "row": row_of(found)})
    try:
        outbox.cancel_message(message=found, acting_user=request.user)  # type: ignore[arg-type]
    except outbox.MessageCannotChangeError as error:
        messages.error(request, str(error))
    return redirect("outbox_message", message_id=found.pk)


@requires("outbox.send")
@require_POST
def complaint_seen(request: HttpRequest, message_id: int) -> HttpResponseBase:
    """Note that somebody here has seen that a mail was called junk."""
    found = get_object_or_404(OutboxMessage, pk=message_id)
    returns.see_complaint(message=found, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    messages.success(request, "Noted that you have seen it.")
    return redirect("outbox_message", message_id=found.pk)


def _elsewhere(user: Any) -> list[dict[str, Any]]:
    """A month's papers, and where the letters to many families at once are looked at beforehand; by name, because those rooms
    stand above this one.
    """
    sends = may(user, "outbox.send")
    return [
        {"label": "A month’s papers", "url": reverse("month_papers")},
        *([{"label": "Overdue notices", "url": reverse("overdue_notices")}] if sends else []),
        *([{"label": "Cleaning reminders", "url": reverse("cleaning_reminders")}] if sends else []),
        *([{"label": "Words of letters", "url": reverse("wordings")}] if may(user, "wording.edit") else []),
    ]


def _is_held_back(message: OutboxMessage) -> bool:
    """Whether it waits for the end of its quiet hours, and not for a mail server that was away."""
    return (
        message.state == State.QUEUED and message.quiet_from is not None and bool(message.next_try_at) and not message.last_error
    )


def row_of(message: OutboxMessage) -> dict[str, Any]:
    """What a list shows of a mail or letter."""
    kind = KINDS.get(message.kind)
    state = State(message.state)
    return {
        "message": message,
        "url": reverse("outbox_message", args=[message.pk]),
        "kind": kind.name if kind else message.kind.replace("_", " ").capitalize(),
        "status": {"word": state.label, "tone": TONES.get(state, "info")},
        "held_back": _is_held_back(message),
        "postal_code": letters.zip_of(message.to_address),
    }

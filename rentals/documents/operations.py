"""Documents: asked for as a row, made once by a job, kept for good. The outbox stands in `rentals.documents.outbox`."""

import datetime
import hashlib
import logging
from typing import Any

from django.db import OperationalError, transaction
from django.db.models import Count, Min, Q
from django.db.models.functions import Coalesce

from rentals.documents.codec import PayloadError, to_payload
from rentals.documents.kinds import UnknownKindError, get_kind
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.outbox import SEND, cancel_message, queue_message, send_due_messages, send_now
from rentals.documents.pdf import CannotMakePdfError, render_pdf
from rentals.documents.queries import get_letterhead
from rentals.jobs import leases
from rentals.runtime import disk
from rentals.runtime.waiting import backoff
from rentals.runtime.word import send_word

__all__ = [
    "ask_for_document",
    "cancel_message",
    "make_again",
    "make_document",
    "queue_message",
    "send_due_messages",
    "send_now",
    "take_up_waiting_documents",
]

logger = logging.getLogger(__name__)

MAKE = "rentals.documents.tasks.make_document"
MOST_ATTEMPTS = 5
SILENT = datetime.timedelta(seconds=30)
"""After so long others are told of a claimed document again; whether its worker is dead, its lease says."""
LEFT_BEHIND = "The job that makes it was stopped five times while at it."


class DocumentMadeAlreadyError(Exception):
    """The document is there and stays as it is."""


@transaction.atomic
def ask_for_document(
    *, key: str, kind: str, about: str, title: str, page: Any, language: str = "en", now: datetime.datetime
) -> Document:
    """Write down that a document is wanted, with everything it will show; a job makes it after the commit.

    `key` says once what it is ("agreement/A-000012/signed"): asked for again, the first one is returned as it stands. `page`
    is the frozen dataclass of the kind. The letterhead is taken as it stands now. Part of the caller's transaction.
    Raises UnknownKindError; PayloadError when `page` is not of the kind's sort.
    """
    wanted = get_kind(kind)
    if not isinstance(page, wanted.page):
        raise PayloadError(f"a document of kind {kind} shows a {wanted.page.__name__}, not a {type(page).__name__}")
    payload = {"page": to_payload(page), "office": to_payload(get_letterhead())}
    document, is_new = Document.objects.get_or_create(
        key=key,
        defaults={"kind": kind, "about": about, "title": title, "language": language, "payload": payload, "asked_at": now},
    )
    if is_new:
        send_word(MAKE, document_id=document.pk)
    return document


def make_document(*, document_id: int, now: datetime.datetime) -> Document | None:
    """Make a document that waits: claim and commit, render, record. None when there is nothing to do any more.

    Outermost: never call it inside a transaction. May be called twice for the same document, by two workers at once, or again
    after a worker died: one claim counts, and what is made is made once. A failure is kept on the row and tried again later,
    five times in all; where Pango is missing or the disk is full the document waits, and that counts as no attempt.
    """
    with leases.lease(leases.DOCUMENTS, document_id) as held:
        claimed = _claim(document_id=document_id, now=now) if held else None
        if claimed is None or claimed.state != Document.State.WAITING:
            return claimed
        try:
            return _make(claimed, now=now)
        except OperationalError as error:
            if not disk.is_full(error):
                raise
            soon = now + backoff(claimed.key, 1)
            return _put_back(claimed, sentence=disk.FULL, attempts=claimed.attempts - 1, next_try_at=soon)


def _make(claimed: Document, *, now: datetime.datetime) -> Document | None:
    """Render a claimed document and record it, or why it could not be made."""
    try:
        content = render_pdf(kind=get_kind(claimed.kind), payload=claimed.payload, title=claimed.title, language=claimed.language)
    except CannotMakePdfError as error:
        return _put_back(claimed, sentence=str(error), attempts=claimed.attempts - 1, next_try_at=now)
    except (PayloadError, UnknownKindError) as error:
        return _give_up(claimed, sentence=f"What was to be shown cannot be read: {error}.")
    except Exception as error:
        logger.exception("document %s could not be made", claimed.pk)
        sentence = f"The page could not be made ({type(error).__name__})."
        if claimed.attempts >= MOST_ATTEMPTS:
            return _give_up(claimed, sentence=sentence)
        next_try_at = now + backoff(claimed.key, claimed.attempts)
        return _put_back(claimed, sentence=sentence, attempts=claimed.attempts, next_try_at=next_try_at)
    return _record(claimed, content=content, now=now)


@transaction.atomic
def make_again(*, document: Document, now: datetime.datetime) -> Document:
    """Let a document that was given up be tried anew, from the first attempt.

    Raises DocumentMadeAlreadyError: a made document is never made again, it is printed again.
    """
    reset = Document.objects.filter(pk=document.pk).exclude(state=Document.State.MADE)
    if not reset.update(state=Document.State.WAITING, attempts=0, claimed_at=None, next_try_at=now, last_error=""):
        raise DocumentMadeAlreadyError("This document is made already; open it and print it again.")
    send_word(MAKE, document_id=document.pk)
    document.refresh_from_db(fields=["state", "attempts", "last_error"])
    return document


def take_up_waiting_documents(*, now: datetime.datetime, limit: int = 200) -> int:
    """Send word again for documents that wait longer than they should; return how many.

    The word can be lost (the broker was emptied, a worker was killed): the row is what counts. Outermost; a round.
    """
    stuck = Q(claimed_at__isnull=False, claimed_at__lte=now - SILENT)
    forgotten = Q(claimed_at=None, asked_at__lte=now - datetime.timedelta(minutes=1))
    waiting = Document.objects.filter(state=Document.State.WAITING)
    due = waiting.filter(stuck | forgotten).filter(Q(next_try_at=None) | Q(next_try_at__lte=now))
    ids = list(due.order_by("asked_at").values_list("pk", flat=True)[:limit])
    for document_id in ids:
        send_word(MAKE, document_id=document_id)
    return len(ids)


def count_overdue(*, now: datetime.datetime) -> tuple[int, datetime.datetime | None]:
    """Count the documents that were due by `now` and are not made, and return since when the oldest is. One query."""
    due = Document.objects.filter(Q(next_try_at=None) | Q(next_try_at__lte=now), state=Document.State.WAITING, asked_at__lte=now)
    due = due.exclude(claimed_at__gt=now)
    counted = due.aggregate(count=Count("pk"), since=Min(Coalesce("next_try_at", "asked_at")))
    return counted["count"], counted["since"]


@transaction.atomic
def _claim(*, document_id: int, now: datetime.datetime) -> Document | None:
    """Take a waiting document whose lease is ours and count the attempt. None when it is made, failed, or not due yet.

    One that was left behind in the fifth attempt is given up: whatever it is, it ends its worker.
    """
    due = Q(next_try_at=None) | Q(next_try_at__lte=now)
    waiting = Document.objects.filter(due, pk=document_id, state=Document.State.WAITING)
    document = waiting.select_for_update(skip_locked=True).first()
    if document is None:
        return None
    if document.attempts >= MOST_ATTEMPTS:
        document.state, document.claimed_at, document.last_error = Document.State.FAILED, None, LEFT_BEHIND
        document.save(update_fields=["state", "claimed_at", "last_error"])
        return document
    document.claimed_at = now
    document.attempts += 1
    document.save(update_fields=["claimed_at", "attempts"])
    return document


def _record(claimed: Document, *, content: bytes, now: datetime.datetime) -> Document | None:
    """Keep what was made, unless our claim went stale and another worker has it now."""
    kept = _ours(claimed).update(
        state=Document.State.MADE,
        content=content,
        sha256=hashlib.sha256(content).hexdigest(),
        made_at=now,
        claimed_at=None,
        next_try_at=None,
        last_error="",
    )
    if not kept:
        return None
    made = Document.objects.get(pk=claimed.pk)
    for message_id in made.messages.filter(state=OutboxMessage.State.QUEUED).values_list("pk", flat=True):
        send_word(SEND, message_id=message_id)
    return made


def _put_back(claimed: Document, *, sentence: str, attempts: int, next_try_at: datetime.datetime) -> Document:
    _ours(claimed).update(claimed_at=None, attempts=attempts, next_try_at=next_try_at, last_error=sentence)
    return Document.objects.get(pk=claimed.pk)


def _give_up(claimed: Document, *, sentence: str) -> Document:
    _ours(claimed).update(state=Document.State.FAILED, claimed_at=None, last_error=sentence)
    return Document.objects.get(pk=claimed.pk)


def _ours(claimed: Document) -> Any:
    """The row, as long as it still carries the claim we made."""
    return Document.objects.filter(pk=claimed.pk, state=Document.State.WAITING, claimed_at=claimed.claimed_at)

"""The outbox: a mail or a letter is a row first. One worker claims it and commits, then sends, then records.

Between sending and recording a process can die. The row then says "being sent"; after ten minutes it is taken up again and
sent once more under the same Message-ID, which is made from the row's key, so that the receiver's mail system can tell that it
is the same mail. At least once, never silently not at all.
"""

import datetime
import hashlib
import logging
import smtplib
from collections.abc import Collection
from email.utils import formataddr
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Q

from rentals.documents.models import Document, OutboxMessage
from rentals.runtime.waiting import backoff
from rentals.runtime.word import send_word
from rentals.staff.models import User
from rentals.staff.policy import require

logger = logging.getLogger(__name__)

SEND = "rentals.documents.tasks.send_message"
MOST_ATTEMPTS = 5
LEASE = datetime.timedelta(minutes=10)
"""After so long a mail that is "being sent" was left behind by a process that died."""
MAYBE_SENT = (
    "The process that sent it was stopped before it could say so; it may have arrived. Sent again under the same Message-ID."
)

State, Channel = OutboxMessage.State, OutboxMessage.Channel


class MessageCannotChangeError(Exception):
    """The message is in a state in which this cannot be done any more."""


@transaction.atomic
def queue_message(
    *,
    key: str,
    kind: str,
    about: str,
    household: Any,
    channel: str,
    language: str = "en",
    to_name: str,
    to_address: str,
    subject: str,
    body: str,
    document: Document | None = None,
    acting_user: User | None = None,
    now: datetime.datetime,
) -> OutboxMessage:
    """Put a mail or a letter into the outbox, once per key: asked again, the first one is returned as it stands.

    A mail is sent with `document` attached, once that is made; a letter is its document and waits for the printer.
    Part of the caller's transaction. Raises ValueError for a letter without a document.
    """
    if channel == Channel.LETTER and document is None:
        raise ValueError("a letter needs the document that is printed")
    message, is_new = OutboxMessage.objects.get_or_create(
        key=key,
        defaults={
            "kind": kind,
            "about": about,
            "household": household,
            "channel": channel,
            "language": language,
            "to_name": to_name,
            "to_address": to_address,
            "subject": " ".join(subject.split())[:200],
            "body": body,
            "document": document,
            "queued_by": acting_user,
            "state": State.TO_PRINT if channel == Channel.LETTER else State.QUEUED,
            "queued_at": now,
        },
    )
    if is_new and message.state == State.QUEUED and document is None:
        send_word(SEND, message_id=message.pk)
    return message


def send_message(*, message_id: int, now: datetime.datetime) -> OutboxMessage | None:
    """Send one mail: claim and commit, send, record. None when there is nothing to do any more.

    Outermost: never call it inside a transaction. A failure is kept on the row; the mail is tried again later, five times in
    all, and then given up where people see it.
    """
    claimed = _claim(OutboxMessage.objects.filter(pk=message_id), now=now)
    return _send(claimed, now=now) if claimed else None


def send_due_messages(*, now: datetime.datetime, limit: int = 100) -> int:
    """Send the mails that are due, oldest first, up to `limit`; return how many were tried. Outermost; run by beat each minute.

    Any number of workers may do this at once: each mail is claimed by one of them.
    """
    _give_up_left_behind(now=now)
    tried = 0
    while tried < limit and (claimed := _claim(OutboxMessage.objects.all(), now=now)):
        _send(claimed, now=now)
        tried += 1
    return tried


@transaction.atomic
def send_now(*, message: OutboxMessage, acting_user: User, now: datetime.datetime) -> OutboxMessage:
    """Let a waiting or given-up mail be sent at once, from the first attempt.

    Raises PermissionDenied; MessageCannotChangeError when it is sent, cancelled or being sent.
    """
    require(acting_user, "outbox.send")
    ready = OutboxMessage.objects.filter(pk=message.pk, channel=Channel.MAIL, state__in=[State.QUEUED, State.FAILED])
    if not ready.update(state=State.QUEUED, attempts=0, claimed_at=None, next_try_at=now, last_error=""):
        raise MessageCannotChangeError("This mail is sent, cancelled or just being sent; it cannot be sent anew from here.")
    send_word(SEND, message_id=message.pk)
    message.refresh_from_db()
    return message


@transaction.atomic
def cancel_message(*, message: OutboxMessage, acting_user: User) -> OutboxMessage:
    """Cancel what has not gone out. The row stays, and its key stays used: nothing sends the same again by itself.

    Raises PermissionDenied; MessageCannotChangeError when it has gone out or is on its way.
    """
    require(acting_user, "outbox.send")
    ready = OutboxMessage.objects.filter(pk=message.pk, state__in=[State.QUEUED, State.FAILED, State.TO_PRINT])
    if not ready.update(state=State.CANCELLED):
        raise MessageCannotChangeError("This has gone out already, or is just being sent; it can no longer be cancelled.")
    message.refresh_from_db()
    return message


@transaction.atomic
def mark_printed(*, message_ids: Collection[int], acting_user: User, now: datetime.datetime) -> int:
    """Note that letters were printed and go out with the post; return how many were not noted before. Raises PermissionDenied."""
    require(acting_user, "outbox.send")
    letters = OutboxMessage.objects.filter(pk__in=message_ids, state=State.TO_PRINT, document__state=Document.State.MADE)
    return letters.update(state=State.PRINTED, sent_at=now)


def message_id_of(key: str) -> str:
    """Return the Message-ID of a key: the same each time, and telling nothing about the family.

    >>> message_id_of("overdue/H-00001/2026-10-01/1") == message_id_of("overdue/H-00001/2026-10-01/1")
    True
    """
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip("> ") or "localhost"
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


@transaction.atomic
def _claim(messages: Any, *, now: datetime.datetime) -> OutboxMessage | None:
    """Take the oldest mail that is due, count the attempt, and say that it is being sent. None when there is none."""
    due = Q(state=State.QUEUED) & (Q(next_try_at=None) | Q(next_try_at__lte=now))
    left_behind = Q(state=State.SENDING, claimed_at__lte=now - LEASE, attempts__lt=MOST_ATTEMPTS)
    with_its_document = Q(document=None) | Q(document__state__in=[Document.State.MADE, Document.State.FAILED])
    ready = messages.filter(due | left_behind, with_its_document, channel=Channel.MAIL)
    message: OutboxMessage | None = ready.order_by("queued_at", "pk").select_for_update(of=("self",), skip_locked=True).first()
    if message is None:
        return None
    if message.state == State.SENDING:
        message.last_error = MAYBE_SENT
    message.state, message.claimed_at = State.SENDING, now
    message.attempts += 1
    message.save(update_fields=["state", "claimed_at", "attempts", "last_error"])
    return message


def _give_up_left_behind(*, now: datetime.datetime) -> None:
    """Hand a mail whose sender died five times to a person, who can see whether it arrived."""
    left_behind = OutboxMessage.objects.filter(state=State.SENDING, claimed_at__lte=now - LEASE, attempts__gte=MOST_ATTEMPTS)
    left_behind.update(state=State.FAILED, last_error="Its sender was stopped five times while at it; it may have arrived.")


def _send(claimed: OutboxMessage, *, now: datetime.datetime) -> OutboxMessage:
    """Send a claimed mail and record what became of it."""
    document = claimed.document
    if document is not None and document.state != Document.State.MADE:
        return _record(claimed, state=State.FAILED, last_error="The document that goes with it could not be made.")
    try:
        _mail(claimed, document).send()
    except smtplib.SMTPRecipientsRefused:
        return _record(claimed, state=State.FAILED, last_error="The receiving mail server does not know this address.")
    except (smtplib.SMTPException, OSError, ValueError) as error:
        logger.warning("mail %s was not sent: %s", claimed.pk, type(error).__name__)
        sentence = f"The mail server did not take it ({type(error).__name__})."
        if claimed.attempts >= MOST_ATTEMPTS:
            return _record(claimed, state=State.FAILED, last_error=sentence)
        later = now + backoff(claimed.key, claimed.attempts)
        return _record(claimed, state=State.QUEUED, last_error=sentence, next_try_at=later)
    return _record(claimed, state=State.SENT, sent_at=now, last_error=claimed.last_error)


def _mail(message: OutboxMessage, document: Document | None) -> EmailMessage:
    mail = EmailMessage(
        subject=message.subject,
        body=message.body,
        to=[formataddr((message.to_name, message.to_address))],
        headers={"Message-ID": message_id_of(message.key), "Auto-Submitted": "auto-generated"},
    )
    if document is not None:
        name = f"{document.kind}-{document.about.rpartition('/')[2] or document.pk}.pdf"
        mail.attach(name, bytes(document.content or b""), "application/pdf")
    return mail


def _record(claimed: OutboxMessage, **changes: Any) -> OutboxMessage:
    """Write down what became of it, as long as the row still carries our claim."""
    changes.setdefault("next_try_at", None)
    ours = OutboxMessage.objects.filter(pk=claimed.pk, state=State.SENDING, claimed_at=claimed.claimed_at)
    ours.update(**changes)
    return OutboxMessage.objects.get(pk=claimed.pk)

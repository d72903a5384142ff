"""The outbox: a mail or a letter is a row first. One worker claims it and commits, then sends, then records.

Who sends a mail holds its lease (`jobs.leases`), which ends with the process. Between sending and recording a process can die:
then the row says "being sent" and nobody holds the lease. Whoever finds that sends the mail once more under the same Message-ID,
which is made from the row's key, so that the receiver's mail system can tell that it is the same mail; and the row says so. At
least once, never silently not at all.
"""

import datetime
import hashlib
import logging
import smtplib
from email.utils import formataddr
from typing import Any

from anymail.exceptions import AnymailRecipientsRefused
from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Count, Min, Q
from django.db.models.functions import Coalesce
from django.utils.encoding import punycode

from rentals.documents import stopping
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.quiet import QuietHours, are_quiet, next_time
from rentals.documents.reasons import COURTESY, is_courtesy
from rentals.jobs import leases
from rentals.runtime.waiting import backoff
from rentals.runtime.word import send_word
from rentals.staff.models import User
from rentals.staff.policy import require

logger = logging.getLogger(__name__)

SEND = "rentals.documents.tasks.send_message"
MOST_ATTEMPTS = 5
MAYBE_SENT = (
    "The process that sent it was stopped before it could say so; it may have arrived. Sent again under the same Message-ID."
)
LEFT_BEHIND = "Its sender was stopped five times while at it; it may have arrived."
NO_MORE = "Not sent: the family stopped these mails while it waited."
NOT_AGAIN = (
    "The process that sent it was stopped before it could say so; it may have arrived. Not sent again: the family stopped these "
    "mails."
)

NO_ADDRESS = (
    "Not sent: this guardian has no mail address any more. Write the right one down, or cancel this and send it on paper."
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
    guardian: Any = None,
    quiet: QuietHours | None = None,
    unwanted: str = "",
    acting_user: User | None = None,
    now: datetime.datetime,
) -> OutboxMessage:
    """Put a mail or a letter into the outbox, once per key: asked again, the first one is returned as it stands.

    A mail is sent with `document` attached, once that is made, and not while it is `quiet`; a letter is its document and waits
    for the printer. `guardian`: whose it is. `unwanted`: why it does not go out at all, as a sentence; the row then says so and
    its key is used. Part of the caller's transaction. Raises ValueError for a letter without a document.
    """
    if channel == Channel.LETTER and document is None:
        raise ValueError("a letter needs the document that is printed")
    at_first = quiet.first_moment(now) if quiet and channel == Channel.MAIL else now
    state = State.CANCELLED if unwanted else State.TO_PRINT if channel == Channel.LETTER else State.QUEUED
    message, is_new = OutboxMessage.objects.get_or_create(
        key=key,
        defaults={
            "kind": kind,
            "about": about,
            "household": household,
            "channel": channel,
            "language": language,
            "to_name": " ".join(to_name.split()),
            "to_address": to_address,
            "subject": " ".join(subject.split())[:200],
            "body": body,
            "document": document,
            "queued_by": acting_user,
            "state": state,
            "queued_at": now,
            "guardian": guardian,
            "quiet_from": quiet.start if quiet else None,
            "quiet_until": quiet.end if quiet else None,
            "next_try_at": at_first if at_first > now and state == State.QUEUED else None,
            "last_error": unwanted,
        },
    )
    if is_new and message.state == State.QUEUED and document is None and at_first == now:
        send_word(SEND, message_id=message.pk)
    return message


def send_message(*, message_id: int, now: datetime.datetime) -> OutboxMessage | None:
    """Send one mail: claim and commit, send, record. None when there is nothing to do for us.

    Outermost: never call it inside a transaction. May be called by any number of workers at once, or again after one died: who
    holds the lease sends. A failure is kept on the row; the mail is tried again later, five times in all, and then given up
    where people see it.
    """
    with leases.lease(leases.MAILS, message_id) as held:
        claimed = _claim(message_id, now=now) if held else None
        if claimed is None or claimed.state != State.SENDING:
            return claimed
        return _send(claimed, now=now)


def list_due(*, now: datetime.datetime, limit: int = 100) -> list[int]:
    """List the mails to take up, oldest first: what is due, and what says that it is being sent, for its sender may be gone."""
    _hold_back(now=now)
    return list(_ready(now).order_by("queued_at", "pk").values_list("pk", flat=True)[:limit])


def count_overdue(*, now: datetime.datetime) -> tuple[int, datetime.datetime | None]:
    """Count the mails that were due by `now` and did not go out, and return since when the oldest is. One query."""
    due = _ready(now).filter(queued_at__lte=now).exclude(state=State.SENDING, claimed_at__gt=now)
    counted = due.aggregate(count=Count("pk"), since=Min(Coalesce("next_try_at", "queued_at")))
    return counted["count"], counted["since"]


def send_due_messages(*, now: datetime.datetime, limit: int = 100) -> int:
    """Send the mails that are due, oldest first, up to `limit`; return how many were taken up here. Outermost."""
    return sum(send_message(message_id=message_id, now=now) is not None for message_id in list_due(now=now, limit=limit))


@transaction.atomic
def send_now(*, message: OutboxMessage, acting_user: User, now: datetime.datetime) -> OutboxMessage:
    """Let a waiting or given-up mail be sent at once, from the first attempt; quiet hours do not hold it.

    One that failed goes to the address that its guardian has now.
    Raises PermissionDenied; MessageCannotChangeError when it is sent, cancelled or being sent, or failed and has nowhere to go.
    """
    require(acting_user, "outbox.send")
    ready = OutboxMessage.objects.filter(pk=message.pk, channel=Channel.MAIL, state__in=[State.QUEUED, State.FAILED])
    guardian = message.guardian
    if message.state == State.FAILED and guardian and not guardian.email:
        raise MessageCannotChangeError(NO_ADDRESS)
    corrected = {"to_address": guardian.email} if message.state == State.FAILED and guardian and guardian.email else {}
    anew = {"attempts": 0, "claimed_at": None, "next_try_at": now, "last_error": "", "returned_at": None, "provider_id": ""}
    if not ready.update(state=State.QUEUED, quiet_from=None, quiet_until=None, **anew, **corrected):
        raise MessageCannotChangeError("This mail is sent, cancelled or just being sent; it cannot be sent anew from here.")
    send_word(SEND, message_id=message.pk)
    message.refresh_from_db()
    return message


@transaction.atomic
def cancel_message(*, message: OutboxMessage, acting_user: User) -> OutboxMessage:
    """Cancel what has not gone out. The row stays, and its key stays used: nothing sends the same again by itself.

    Raises PermissionDenied; MessageCannotChangeError when it has gone out, is on its way, or lies in a print batch.
    """
    require(acting_user, "outbox.send")
    waiting = OutboxMessage.objects.filter(pk=message.pk, state__in=[State.QUEUED, State.FAILED, State.TO_PRINT])
    if not waiting.filter(batch=None).update(state=State.CANCELLED):
        if waiting.exists():
            raise MessageCannotChangeError("This letter lies in a print batch: dissolve the batch, then cancel the letter.")
        raise MessageCannotChangeError("This has gone out already, or is just being sent; it can no longer be cancelled.")
    message.refresh_from_db()
    return message


@transaction.atomic
def cancel_courtesies(*, guardian_id: int) -> int:
    """Cancel the mails that this guardian asked to be spared and that have not gone out; return how many."""
    waiting = OutboxMessage.objects.filter(guardian=guardian_id, kind__in=COURTESY, channel=Channel.MAIL)
    return waiting.filter(state__in=[State.QUEUED, State.FAILED]).update(state=State.CANCELLED, last_error=NO_MORE)


@transaction.atomic
def follow_address(*, guardian_id: int, earlier: str, address: str) -> int:
    """Let the mails that wait for a guardian at the `earlier` address go to `address`; return how many there are.

    Where that is "" they are handed to a person. What is just being sent is on its way already.
    """
    waiting = OutboxMessage.objects.filter(guardian=guardian_id, to_address=earlier, channel=Channel.MAIL, state=State.QUEUED)
    if address:
        return waiting.update(to_address=address)
    return waiting.update(state=State.FAILED, last_error=NO_ADDRESS, next_try_at=None)


def message_id_of(key: str) -> str:
    """Return the Message-ID of a key: the same each time, and telling nothing about the family.

    >>> message_id_of("overdue/H-00001/2026-10-01/1") == message_id_of("overdue/H-00001/2026-10-01/1")
    True
    """
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip("> ") or "localhost"
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


def _ready(now: datetime.datetime) -> Any:
    due = Q(state=State.QUEUED) & (Q(next_try_at=None) | Q(next_try_at__lte=now))
    with_its_document = Q(document=None) | Q(document__state__in=[Document.State.MADE, Document.State.FAILED])
    awake = Q(quiet_from=None) | ~are_quiet(now)
    return OutboxMessage.objects.filter(due | Q(state=State.SENDING), with_its_document, awake, channel=Channel.MAIL)


@transaction.atomic
def _claim(message_id: int, *, now: datetime.datetime) -> OutboxMessage | None:
    """Take a mail whose lease is ours, count the attempt, and say that it is being sent. None when it is not due any more.

    One that says so already was left behind; after the fifth time it is given up to a person, who can see whether it arrived.
    A courtesy is cancelled where its guardian wants no such mail any more, however it came to wait.
    """
    ready = _ready(now).filter(pk=message_id)
    message: OutboxMessage | None = ready.select_for_update(of=("self",), skip_locked=True).first()
    if message is None:
        return None
    was_left = message.state == State.SENDING
    if _is_stopped(message):
        message.state, message.last_error = State.CANCELLED, NOT_AGAIN if was_left else NO_MORE
    elif was_left and message.attempts >= MOST_ATTEMPTS:
        message.state, message.last_error = State.FAILED, LEFT_BEHIND
    else:
        if was_left:
            message.last_error = MAYBE_SENT
        message.state, message.claimed_at = State.SENDING, now
        message.attempts += 1
    message.save(update_fields=["state", "claimed_at", "attempts", "last_error"])
    return message


def _is_stopped(message: OutboxMessage) -> bool:
    """Tell whether it is a courtesy to a guardian who wants none by mail now."""
    guardian = message.guardian if is_courtesy(message.kind) else None
    return guardian is not None and guardian.reminders != guardian.Reminders.SAME


def _hold_back(*, now: datetime.datetime) -> None:
    """Write down until when what is due waits for the end of its quiet hours, so that the row says so."""
    due = OutboxMessage.objects.filter(Q(next_try_at=None) | Q(next_try_at__lte=now), are_quiet(now), state=State.QUEUED)
    for end in list(due.values_list("quiet_until", flat=True).distinct().order_by()):
        if end is not None:
            due.filter(quiet_until=end).update(next_try_at=next_time(end, after=now))


def _send(claimed: OutboxMessage, *, now: datetime.datetime) -> OutboxMessage:
    """Send a claimed mail and record what became of it."""
    document = claimed.document
    if document is not None and document.state != Document.State.MADE:
        return _record(
            claimed, state=State.FAILED, last_error=_said(claimed, "The document that goes with it could not be made.")
        )
    try:
        mail = _mail(claimed, document)
        mail.send()
    except Exception as error:  # whatever it is, the row says so, and the mails behind it go out
        if _is_unknown_address(error):
            sentence = _said(claimed, "The receiving mail server does not know this address.")
            return _record(claimed, state=State.FAILED, last_error=sentence)
        logger.warning("mail %s was not sent: %s", claimed.pk, type(error).__name__)
        sentence = _said(claimed, f"The mail server did not take it ({type(error).__name__}).")
        if claimed.attempts >= MOST_ATTEMPTS:
            return _record(claimed, state=State.FAILED, last_error=sentence)
        later = now + backoff(claimed.key, claimed.attempts)
        if claimed.quiet_from and claimed.quiet_until:
            later = QuietHours(claimed.quiet_from, claimed.quiet_until).first_moment(later)
        return _record(claimed, state=State.QUEUED, last_error=sentence, next_try_at=later)
    named = getattr(getattr(mail, "anymail_status", None), "message_id", None)
    provider_id = "" if named is None else str(named)[:200]
    return _record(claimed, state=State.SENT, sent_at=now, last_error=claimed.last_error, provider_id=provider_id)


def _is_unknown_address(error: Exception) -> bool:
    """Tell whether the address was refused for good: a code that begins with 4 asks to try again (RFC 5321, 4.2.1)."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return any(code >= 500 for code, _words in error.recipients.values())
    return isinstance(error, AnymailRecipientsRefused)


def _said(claimed: OutboxMessage, sentence: str) -> str:
    """Put a sentence behind the one that it may have gone twice, which stays whatever happens later."""
    return f"{MAYBE_SENT} {sentence}" if claimed.last_error.startswith(MAYBE_SENT) else sentence


def _mail(message: OutboxMessage, document: Document | None) -> EmailMessage:
    mail = EmailMessage(
        subject=message.subject,
        body=message.body + stopping.last_lines(message),
        to=[formataddr((message.to_name, _in_ascii(message.to_address)))],
        headers={
            "Message-ID": message_id_of(message.key),
            "Auto-Submitted": "auto-generated",
            **stopping.headers(message),
        },
    )
    if settings.EMAIL_PROVIDER:
        mail.metadata = {"outbox": str(message.pk)}  # type: ignore[attr-defined]  # comes back with the provider's news
    if document is not None:
        name = f"{document.kind}-{document.about.rpartition('/')[2] or document.pk}.pdf"
        mail.attach(name, bytes(document.content or b""), "application/pdf")
    return mail


def _in_ascii(address: str) -> str:
    """Return a mail address with its domain as mail systems read it: Django takes "bücher.example" for a domain too."""
    local, at, domain = address.rpartition("@")
    return f"{local}{at}{punycode(domain)}"


def _record(claimed: OutboxMessage, **changes: Any) -> OutboxMessage:
    """Write down what became of it, as long as the row still carries our claim."""
    changes.setdefault("next_try_at", None)
    claim = {"state": State.SENDING, "claimed_at": claimed.claimed_at, "attempts": claimed.attempts}
    OutboxMessage.objects.filter(pk=claimed.pk, **claim).update(**changes)
    return OutboxMessage.objects.get(pk=claimed.pk)

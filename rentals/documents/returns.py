"""What became of a mail after it left: taken, put off, come back, called junk. Written on its row, and nowhere else here."""

import datetime
from typing import Any

from django.db import transaction
from django.db.models import Case, Q, QuerySet, Value, When

from rentals.documents.models import OutboxMessage
from rentals.documents.outbox import MAYBE_SENT
from rentals.runtime.locks import lock_rows
from rentals.staff.models import User
from rentals.staff.policy import require

State = OutboxMessage.State

NO_SUCH_ADDRESS = (
    "It came back: the receiving mail server knows no such address. Correct the address, then try again; meanwhile news goes as "
    "letters."
)
NOT_DELIVERED = "It came back: the receiving mail server did not take it. Call the family, or try again later."
HELD_BACK = "The mail provider holds mail to this address back and did not send it. Its own pages say why; then try again."
PUT_OFF = "The receiving mail server put it off; the provider keeps trying."


def find_message(*, provider_id: str, row: str) -> OutboxMessage | None:
    """Return the mail that a provider speaks of, by the provider's name for it, else by the `row` that we sent along.

    The second finds a mail whose news is faster than its sender, who has not written down yet what the provider calls it. It is
    locked until the caller's transaction ends; a sender who is just writing is waited for. Raises RowsBusyError.
    """
    wanted = Q(provider_id=provider_id) if provider_id else Q(pk=None)
    if row.isascii() and row.isdigit() and len(row) < 19:
        wanted |= Q(pk=int(row), provider_id="", state__in=[State.SENDING, State.SENT])
    (found,) = lock_rows(OutboxMessage.objects.filter(wanted, channel=OutboxMessage.Channel.MAIL))
    return min(found, key=lambda message: not message.provider_id, default=None)


@transaction.atomic
def note_delivered(*, message: OutboxMessage, now: datetime.datetime) -> None:
    """Note that the receiving mail server took it."""
    _under_way(message).filter(delivered_at=None).update(delivered_at=now, last_error=_said(""))


@transaction.atomic
def note_put_off(*, message: OutboxMessage) -> None:
    """Note that it is not delivered yet; nothing is lost."""
    _under_way(message).filter(delivered_at=None).update(last_error=_said(PUT_OFF))


@transaction.atomic
def note_returned(*, message: OutboxMessage, sentence: str, now: datetime.datetime) -> bool:
    """Hand a mail that came back for good to a person; tell whether it was not known before."""
    failed: dict[str, Any] = {"state": State.FAILED, "sent_at": None, "delivered_at": None, "next_try_at": None}
    return bool(_under_way(message).update(**failed, returned_at=now, last_error=_said(sentence)))


@transaction.atomic
def note_complaint(*, message: OutboxMessage, now: datetime.datetime) -> bool:
    """Note that the receiver called it junk; a person is told of it on the first page until one has seen it."""
    return bool(OutboxMessage.objects.filter(pk=message.pk, complained_at=None).update(complained_at=now))


@transaction.atomic
def see_complaint(*, message: OutboxMessage, acting_user: User, now: datetime.datetime) -> None:
    """Note that a person of the office has seen that a mail was called junk. Raises PermissionDenied."""
    require(acting_user, "outbox.send")
    unseen = OutboxMessage.objects.filter(pk=message.pk, complained_at__isnull=False, complaint_seen_at=None)
    unseen.update(complaint_seen_at=now)


def _said(sentence: str) -> Case:
    """Put a sentence behind the one that the mail may have gone twice, which news of one of them does not settle."""
    kept = Value(f"{MAYBE_SENT} {sentence}".strip())
    return Case(When(last_error__startswith=MAYBE_SENT, then=kept), default=Value(sentence))


def _under_way(message: OutboxMessage) -> QuerySet[OutboxMessage]:
    """The row, as long as it is on its way or there: one that was sent anew meanwhile is another mail."""
    return OutboxMessage.objects.filter(pk=message.pk, state__in=[State.SENDING, State.SENT], provider_id=message.provider_id)

"""What the mail provider tells of a mail, brought to its row and to the guardian whose address it was."""

import logging
from typing import Any

from anymail.signals import AnymailTrackingEvent, EventType, RejectReason, tracking
from django.db import transaction

from rentals.documents import returns
from rentals.documents.models import OutboxMessage
from rentals.families import news
from rentals.families.models import Guardian
from rentals.runtime import clock

logger = logging.getLogger(__name__)

GONE = {RejectReason.BOUNCED, RejectReason.INVALID, None}
"""Reasons that say of an address that nothing arrives there."""
PUT_OFF = {EventType.DEFERRED}
LOST = {EventType.BOUNCED, EventType.REJECTED, EventType.FAILED}


def listen() -> None:
    """Hear what the provider tells from now on."""
    tracking.connect(take_news, dispatch_uid="rentals.families.tracking")


def take_news(*, event: AnymailTrackingEvent, **_: Any) -> None:
    """Write down what became of a mail. Told twice it is written once; of a mail that is not ours nothing is kept.

    Nothing the provider says goes into a log but the kind of its news.
    """
    row = str((event.metadata or {}).get("outbox", ""))
    with transaction.atomic():
        message = returns.find_message(provider_id=event.message_id or "", row=row)
        if message is None:
            logger.info("news of a mail that is not in the outbox: %s", event.event_type)
            return
        _write_down(message, event)


def _write_down(message: OutboxMessage, event: AnymailTrackingEvent) -> None:
    now = clock.now()
    if event.event_type == EventType.DELIVERED:
        returns.note_delivered(message=message, now=now)
    elif event.event_type in PUT_OFF or (event.event_type == EventType.BOUNCED and _is_soft(event)):
        returns.note_put_off(message=message)
    elif event.event_type in LOST:
        is_gone = event.event_type == EventType.BOUNCED and event.reject_reason in GONE
        is_gone = is_gone or (event.event_type == EventType.REJECTED and event.reject_reason in GONE - {None})
        held_back = event.event_type == EventType.REJECTED and not is_gone
        sentence = returns.NO_SUCH_ADDRESS if is_gone else returns.HELD_BACK if held_back else returns.NOT_DELIVERED
        is_news = returns.note_returned(message=message, sentence=sentence, now=now)
        if is_news and is_gone:
            news.note_failed_mail(address=message.to_address, now=now)
    elif event.event_type == EventType.COMPLAINED:
        is_news = returns.note_complaint(message=message, now=now)
        if is_news and message.guardian_id:
            news.stop_reminders(guardian_id=message.guardian_id, how=Guardian.ChosenBy.COMPLAINT, now=now)
    elif event.event_type == EventType.UNSUBSCRIBED and message.guardian_id:
        news.stop_reminders(guardian_id=message.guardian_id, how=Guardian.ChosenBy.LINK, now=now)


def _is_soft(event: AnymailTrackingEvent) -> bool:
    """Whether it came back for now only: providers say so in a word of their own (SoftBounce, soft_bounce)."""
    told = event.esp_event if isinstance(event.esp_event, dict) else {}
    return any("soft" in str(told.get(name, "")).lower() for name in ("Type", "event", "type"))

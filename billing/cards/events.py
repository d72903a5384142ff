"""Messages of a processor: kept once by their own id, then the attempt they are about is settled by all that is known of it."""

import datetime

from django.db import transaction
from django.db.models import Q

from billing.cards import attempts
from billing.cards.ports import EventTold
from billing.models import CardAttempt, CardEvent, CardRefund


def take_event(*, processor: str, told: EventTold, now: datetime.datetime) -> bool:
    """Keep a message and act on it; tell whether it was new. One that came before is acted on again, which changes nothing."""
    is_new = _keep(processor, told, now)
    attempt = _find(processor, told)
    if attempt is not None:
        attempts.settle(attempt=attempt, outcome=None, now=now)
        _look(attempt, told)
    return is_new


@transaction.atomic
def _keep(processor: str, told: EventTold, now: datetime.datetime) -> bool:
    row = CardEvent(
        processor=processor,
        event_id=told.event_id,
        kind=told.kind,
        attempt_key=told.attempt_key,
        session=told.session,
        charge=told.charge,
        reference=told.reference,
        amount=told.amount,
        note=told.note[:200],
        happened_at=told.happened_at,
        received_at=now,
    )
    known = CardEvent.objects.filter(processor=processor, event_id=told.event_id)
    before = known.exists()
    CardEvent.objects.bulk_create([row], ignore_conflicts=True)
    return not before


def _find(processor: str, told: EventTold) -> CardAttempt | None:
    about = Q(key=told.attempt_key) if told.attempt_key else Q(pk=None)
    about |= Q(charge=told.charge) if told.charge else Q(pk=None)
    return CardAttempt.objects.filter(about, processor=processor).first()


LOOK = {
    CardEvent.Kind.DISPUTE_WON: "A dispute was decided for us: take the payment in again by hand when its payout arrives.",
    CardEvent.Kind.REFUNDED: "Money went back to the card at the processor, not through this office.",
    CardEvent.Kind.REFUND_FAILED: "A refund did not reach the card: the money came back to us.",
}


def _look(attempt: CardAttempt, told: EventTold) -> None:
    """Ask a person to look at what the office did not do itself."""
    is_ours = CardRefund.objects.filter(attempt=attempt).exists() and told.kind == CardEvent.Kind.REFUNDED
    why = None if is_ours else LOOK.get(CardEvent.Kind(told.kind))
    if why:
        CardAttempt.objects.filter(pk=attempt.pk, look_why="").update(look_why=why)

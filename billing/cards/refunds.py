"""Paying back to the card: written down first, asked for under one key, settled when the processor has said yes or no."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone

from billing import charges, refunds
from billing.cards import processors
from billing.cards.ports import ProcessorRefusedError, ProcessorSilentError, RefundAsked
from billing.models import CardAttempt, CardRefund, Refund
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user

ASKED_AGAIN = datetime.timedelta(seconds=50)


class NotPaidByCardError(Exception):
    """There is no paid card payment to give back from."""

    def __init__(self) -> None:
        super().__init__("This card payment was not paid, or was disputed: nothing goes back to the card.")


class MoreThanPaidError(Exception):
    """More would go back than the card paid."""

    def __init__(self, left: Decimal) -> None:
        super().__init__(f"At most {written(left)} of this card payment can still go back to the card.")
        self.left = left


@dataclass(frozen=True)
class CardRefundGiven:
    """How much goes back to the card, and why."""

    amount: Decimal
    reason: str


def left_of(attempt: CardAttempt) -> Decimal:
    """Return how much of a card payment may still go back; zero unless it is paid and undisputed."""
    if attempt.payment is None or hasattr(attempt.payment, "payment_return"):
        return ZERO
    gone = CardRefund.objects.filter(attempt=attempt).exclude(state=CardRefund.State.FAILED).aggregate(sum=Sum("amount"))["sum"]
    return Decimal(attempt.amount - (gone or ZERO))


@transaction.atomic
def ask_for_refund(
    *, attempt: CardAttempt, given: CardRefundGiven, key: UUID, acting_user: User, now: datetime.datetime
) -> CardRefund:
    """Write a refund to the card down: it leaves the family's account at once, and the processor is asked after the commit.

    Outermost. Sent again with the same key it returns the first one. Raises NotPaidByCardError, MoreThanPaidError and
    whatever `refunds.make_refund` raises.
    """
    lock_one(Household.objects.filter(pk=attempt.household_id))
    attempt = lock_one(CardAttempt.objects.filter(pk=attempt.pk))
    earlier = CardRefund.objects.filter(key=key, attempt=attempt).first()
    if earlier is not None:
        return earlier
    left = left_of(attempt)
    if left <= 0:
        raise NotPaidByCardError
    if given.amount > left:
        raise MoreThanPaidError(left)
    wanted = refunds.RefundGiven(Refund.Method.CARD, given.amount, timezone.localdate(now), given.reason)
    refund = refunds.make_refund(household=attempt.household, given=wanted, acting_user=acting_user, now=now)
    return CardRefund.objects.create(
        key=key, attempt=attempt, refund=refund, amount=given.amount, asked_at=now, asked_by=acting_user
    )


def send(*, card_refund: CardRefund, now: datetime.datetime) -> CardRefund:
    """Ask the processor, and keep its answer; outside of any transaction. No clear answer leaves it asked for."""
    attempt = card_refund.attempt
    asked = RefundAsked(card_refund.key, attempt.charge, card_refund.amount, settings.CURRENCY, card_refund.asked_at)
    try:
        reference = processors.by_code(attempt.processor).refund(asked)
    except ProcessorSilentError:
        return card_refund
    except ProcessorRefusedError as refused:
        return _fail(card_refund, str(refused), now)
    return _finish(card_refund, reference, now)


@transaction.atomic
def _finish(card_refund: CardRefund, reference: str, now: datetime.datetime) -> CardRefund:
    locked: CardRefund = lock_one(CardRefund.objects.filter(pk=card_refund.pk))
    if locked.state == CardRefund.State.ASKED:
        locked.state, locked.reference, locked.ended_at = CardRefund.State.DONE, reference, now
        locked.save(update_fields=["state", "reference", "ended_at"])
    return locked


@transaction.atomic
def _fail(card_refund: CardRefund, why: str, now: datetime.datetime) -> CardRefund:
    """The money never left: it is on the family's account again."""
    lock_one(Household.objects.filter(pk=card_refund.attempt.household_id))
    locked: CardRefund = lock_one(CardRefund.objects.filter(pk=card_refund.pk))
    if locked.state == CardRefund.State.ASKED:
        locked.state, locked.note, locked.ended_at = CardRefund.State.FAILED, why[:200], now
        locked.save(update_fields=["state", "note", "ended_at"])
        charges.void_charge(
            charge=locked.refund.charge, reason="The card took no money back", acting_user=ensure_system_user(), now=now
        )
    return locked


def sweep(*, now: datetime.datetime) -> int:
    """Ask again for every refund that has no answer yet; return how many have one since."""
    waiting = CardRefund.objects.filter(state=CardRefund.State.ASKED, asked_at__lte=now - ASKED_AGAIN)
    rows = waiting.select_related("attempt").order_by("pk")
    return sum(send(card_refund=each, now=now).state != CardRefund.State.ASKED for each in rows)

"""Payouts: each becomes a deposit that meets one line of the bank's, net of fees, when it adds up; otherwise it is shown."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.conf import settings
from django.db import transaction

from billing import deposits, ledger
from billing.cards.ports import PaymentProcessor, PayoutLine, PayoutTold
from billing.models import CardAttempt, CardPayout, CardRefund, Payment, PaymentReturn, Refund
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

LOOKS_BACK = datetime.timedelta(days=60)


@dataclass
class Known:
    """What the books know of a payout's lines; `unknown` says what they do not."""

    payments: list[Payment] = field(default_factory=list)
    taken_back: list[Refund | PaymentReturn] = field(default_factory=list)
    fee: Decimal = ZERO
    sum: Decimal = ZERO
    unknown: list[str] = field(default_factory=list)


def read_payouts(
    *, processor: PaymentProcessor, acting_user: User, now: datetime.datetime, today: datetime.date
) -> list[CardPayout]:
    """Ask for the payouts of the last weeks and book those that are new, or did not add up before; return them.

    Outside of any transaction. Raises ProcessorSilentError, ProcessorRefusedError.
    """
    told = processor.list_payouts(today - LOOKS_BACK)
    booked = set(CardPayout.objects.filter(processor=processor.code, deposit__isnull=False).values_list("reference", flat=True))
    fresh = [each for each in told if each.reference not in booked]
    return [book_payout(processor=processor.code, told=each, acting_user=acting_user, now=now) for each in fresh]


@transaction.atomic
def book_payout(*, processor: str, told: PayoutTold, acting_user: User, now: datetime.datetime) -> CardPayout:
    """Write a payout down, and make its deposit when it is to the cent what the books know. Never forced. Outermost."""
    known = _recognise(processor, told.lines)
    difference = told.amount - (known.sum - known.fee)
    problem = _problem(told, known, difference)
    defaults = {
        "arrives_on": told.arrives_on,
        "amount": told.amount,
        "fee": known.fee,
        "lines": [_kept(line) for line in told.lines],
        "difference": difference,
        "problem": problem[:400],
        "read_at": now,
    }
    CardPayout.objects.get_or_create(processor=processor, reference=told.reference, defaults=defaults)
    payout: CardPayout = lock_one(CardPayout.objects.filter(processor=processor, reference=told.reference))
    if payout.deposit_id is not None:
        return payout
    for name, value in defaults.items():
        setattr(payout, name, value)
    if not problem:
        payout.deposit = deposits.deposit_payout(
            payments=known.payments,
            taken_back=known.taken_back,
            fee=known.fee,
            deposited_on=told.arrives_on,
            acting_user=acting_user,
            now=now,
        )
    payout.save()
    return payout


def _kept(line: PayoutLine) -> dict[str, str]:
    return {"kind": line.kind, "reference": line.reference, "amount": str(line.amount), "fee": str(line.fee)}


def _recognise(processor: str, lines: Sequence[PayoutLine]) -> Known:
    """Find what each line is about: a payment, a refund, a dispute, a fee."""
    names = [line.reference for line in lines]
    attempts = CardAttempt.objects.filter(processor=processor, charge__in=names, payment__isnull=False)
    paid = {each.charge: each.payment for each in attempts.select_related("payment__payment_return")}
    back = CardRefund.objects.filter(attempt__processor=processor, reference__in=names).select_related("refund")
    refunded = {each.reference: each for each in back}
    known = Known()
    for line in lines:
        known.fee += line.fee
        payment = paid.get(line.reference)
        if line.kind == "payment" and payment is not None:
            known.payments.append(payment)
            known.sum += payment.amount
        elif line.kind == "refund" and line.reference in refunded:
            known.taken_back.append(refunded[line.reference].refund)
            known.sum -= refunded[line.reference].amount
        elif line.kind == "dispute" and payment is not None and hasattr(payment, "payment_return"):
            known.taken_back.append(payment.payment_return)
            known.sum -= payment.amount
        elif line.kind == "fee":
            known.fee -= line.amount
        else:
            known.fee -= line.fee
            known.unknown.append(f"{line.kind} {line.reference} {written(line.amount)}")
    return known


def _problem(told: PayoutTold, known: Known, difference: Decimal) -> str:
    """Say in words why a payout cannot be booked, "" when it can."""
    first = ledger.open_from()
    found = []
    if told.currency.upper() != settings.CURRENCY:
        found.append(f"It is in {told.currency}, the books are in {settings.CURRENCY}.")
    if known.unknown:
        found.append(f"Not in the books: {'; '.join(known.unknown[:5])}.")
    if difference:
        found.append(f"It is {written(difference)} apart from what the books know.")
    if told.amount <= 0:
        found.append("More went back than came in, so nothing arrives: post it by hand.")
    if known.fee < 0:
        found.append("The processor gave fees back: post it by hand.")
    if any(each.deposit_id for each in known.payments):
        found.append("Some of its payments are in another payout already.")
    if any(hasattr(each, "taken_back") for each in known.taken_back):
        found.append("Some of what was taken back is in another payout already.")
    if first is not None and told.arrives_on < first:
        found.append(f"The books are closed before {written_day(first)}.")
    return " ".join(found)

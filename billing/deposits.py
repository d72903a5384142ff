"""Money on its way to the bank: the slip with cash and checks, an accepted file of debits, a payout of card payments.

Each is a deposit: the payments in it, one entry that moves them to the bank, and one line of the bank's statement that meets it.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.db.models import Sum

from billing import banks, chart, ledger
from billing.models import CardTakenBack, Deposit, JournalEntry, Payment, PaymentReturn, Refund, TakingCount
from rentals.runtime.locks import lock_rows
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer, take_number


class NotOnHandError(Exception):
    """Some payments cannot be in this deposit: they are in another, came back, or went another way."""

    def __init__(self, numbers: Sequence[str]) -> None:
        super().__init__(f"Not on hand any more: {', '.join(numbers)}. Make the deposit of what is still on the list.")
        self.numbers = list(numbers)


class ReceivedLaterError(Exception):
    """A deposit of a day on which some of its payments were not there yet."""

    def __init__(self, payments: Sequence[Payment], deposited_on: datetime.date) -> None:
        named = ", ".join(f"{each.number} on {written_day(each.received_on)}" for each in payments)
        super().__init__(f"Received after {written_day(deposited_on)}: {named}. Write the day the deposit goes to the bank.")
        self.payments = list(payments)


class NothingToDepositError(Exception):
    """A deposit of no payments."""

    def __init__(self) -> None:
        super().__init__("Tick at least one payment to deposit.")


class FeeTooLargeError(Exception):
    """A fee that leaves nothing of what was paid."""

    def __init__(self, gross: Decimal, fee: Decimal) -> None:
        super().__init__(f"A fee of {written(fee)} cannot be taken off {written(gross)}: nothing would be left.")
        self.gross, self.fee = gross, fee


METHODS = {
    Deposit.Kind.COUNTER: (Payment.Method.CASH, Payment.Method.CHEQUE),
    Deposit.Kind.CARDS: (Payment.Method.CARD,),
    Deposit.Kind.DEBITS: (Payment.Method.DEBIT,),
}
"""What a kind of deposit takes along; the database holds it too."""
COMES_FROM = {
    Deposit.Kind.COUNTER: chart.UNDEPOSITED,
    Deposit.Kind.CARDS: chart.CARDS_ON_THE_WAY,
    Deposit.Kind.DEBITS: chart.DEBITS_ON_THE_WAY,
}


@transaction.atomic
def make_deposit(
    *,
    payments: Sequence[Payment],
    deposited_on: datetime.date,
    acting_user: User,
    now: datetime.datetime,
    kind: str = Deposit.Kind.COUNTER,
    fee: Decimal = ZERO,
    request_key: UUID | None = None,
) -> Deposit:
    """Put payments into one deposit, the sum of them less the fee; the entry moves it from where they are to the bank.

    Cash that was paid back out of what is on hand makes it smaller, as far as there is cash among the payments; so does
    what was short when the takings were counted down, and what was over makes it larger.
    `fee`: what a card processor keeps of a payout. Outermost, or inside the run that sends a file or reads a payout.
    Raises NothingToDepositError, NotOnHandError (with their numbers), ReceivedLaterError, FeeTooLargeError, MonthClosedError.
    """
    keys = sorted({payment.pk for payment in payments})
    if not keys:
        raise NothingToDepositError
    if request_key is not None:
        request = {"payments": keys, "on": deposited_on}
        answer = claim_request(key=request_key, purpose="deposit", request=request, acting_user=acting_user)
        if answer is not None:
            return Deposit.objects.get(pk=answer["deposit"])
    locked = _lock_on_hand(keys, Deposit.Kind(kind))
    later = [payment for payment in locked if payment.received_on > deposited_on]
    if later and kind == Deposit.Kind.COUNTER:
        raise ReceivedLaterError(later, deposited_on)
    cash = sum((payment.amount for payment in locked if payment.method == Payment.Method.CASH), ZERO)
    paid_back = _cash_paid_back(cash)
    apart = _counted_apart(cash - sum(paid_back.values(), ZERO))
    gross = sum((payment.amount for payment in locked), ZERO) - sum(paid_back.values(), ZERO) + sum(apart.values(), ZERO)
    deposit = _make(gross, fee, len(locked), Made(kind, deposited_on, acting_user, now))
    Payment.objects.filter(pk__in=keys).update(deposit=deposit)
    Refund.objects.filter(pk__in=paid_back).update(deposit=deposit)
    TakingCount.objects.filter(pk__in=apart).update(deposit=deposit)
    if request_key is not None:
        keep_answer(key=request_key, answer={"deposit": deposit.pk})
    return deposit


@dataclass(frozen=True)
class Made:
    """What kind of deposit is made, of which day, by whom and when."""

    kind: str
    on: datetime.date
    acting_user: User
    now: datetime.datetime


def _make(gross: Decimal, fee: Decimal, count: int, made: Made) -> Deposit:
    """Post and save a deposit of `gross` less the fee; the payments are put into it afterwards, in the same transaction."""
    if not ZERO <= fee < gross:
        raise FeeTooLargeError(gross, fee)
    deposit = Deposit(
        pk=ledger.next_id(Deposit),
        kind=made.kind,
        deposited_on=made.on,
        amount=gross - fee,
        fee=fee,
        made_at=made.now,
        made_by=made.acting_user,
    )
    deposit.entry = _post(deposit, count, made.acting_user, made.now)
    deposit.number = f"D-{take_number('deposit'):06}"
    deposit.save(force_insert=True)
    return deposit


def _lock_on_hand(keys: Sequence[int], kind: Deposit.Kind) -> list[Payment]:
    locked: list[Payment] = lock_rows(Payment.objects.filter(pk__in=keys))[0]
    returned = set(PaymentReturn.objects.filter(payment__in=keys).values_list("payment_id", flat=True))
    gone = [
        p.number
        for p in locked
        if p.deposit_id or p.method not in METHODS[kind] or (p.pk in returned and kind != Deposit.Kind.CARDS)
    ]
    if gone:
        raise NotOnHandError(gone)
    return locked


def _post(deposit: Deposit, count: int, acting_user: User, now: datetime.datetime) -> JournalEntry:
    kind = Deposit.Kind(deposit.kind)
    return ledger.post_entry(
        entry_on=deposit.deposited_on,
        kind=JournalEntry.Kind.DEPOSIT,
        memo=f"{kind.label} of {count} payments",
        source=f"deposit/{deposit.pk}",
        postings=[
            ledger.Line(banks.deposit_books(), deposit.amount),
            ledger.Line(chart.CARD_FEES, deposit.fee),
            ledger.Line(COMES_FROM[kind], -(deposit.amount + deposit.fee)),
        ],
        acting_user=acting_user,
        now=now,
    )


def _cash_paid_back(cash: Decimal) -> dict[int, Decimal]:
    """Lock and return the cash refunds, oldest first, that `cash` of a deposit still has to make good, while some is left."""
    waiting = Refund.objects.filter(method=Refund.Method.CASH, deposit=None, charge__void_entry=None)
    found: dict[int, Decimal] = {}
    for refund in lock_rows(waiting)[0]:
        amount = refund.charge.lines.aggregate(sum=Sum("amount"))["sum"]
        if sum(found.values(), ZERO) + amount < cash:
            found[refund.pk] = amount
    return found


def _counted_apart(cash: Decimal) -> dict[int, Decimal]:
    """Lock and return the differences of closed takings, oldest first, that go with `cash` of a deposit, while some is left."""
    if cash <= 0:
        return {}
    waiting = TakingCount.objects.filter(entry__isnull=False, deposit=None, reopened_at=None)
    found: dict[int, Decimal] = {}
    for count in lock_rows(waiting)[0]:
        if cash + sum(found.values(), ZERO) + count.difference > 0:
            found[count.pk] = count.difference
    return found


@transaction.atomic
def deposit_payout(
    *,
    payments: Sequence[Payment],
    taken_back: Sequence[Refund | PaymentReturn],
    fee: Decimal,
    deposited_on: datetime.date,
    acting_user: User,
    now: datetime.datetime,
) -> Deposit:
    """Make the deposit of a payout of card payments: their sum, less what went back to cards and the fee.

    Inside the operation that reads a payout. Raises NothingToDepositError, NotOnHandError, FeeTooLargeError, MonthClosedError.
    """
    if not payments:
        raise NothingToDepositError
    locked = _lock_on_hand(sorted(payment.pk for payment in payments), Deposit.Kind.CARDS)
    rows = [_row_of(each) for each in taken_back]
    gross = sum((payment.amount for payment in locked), ZERO) - sum((row.amount for row in rows), ZERO)
    deposit = _make(gross, fee, len(locked), Made(Deposit.Kind.CARDS, deposited_on, acting_user, now))
    Payment.objects.filter(pk__in=[payment.pk for payment in locked]).update(deposit=deposit)
    for row in rows:
        row.deposit = deposit
    CardTakenBack.objects.bulk_create(rows)
    return deposit


def _row_of(back: Refund | PaymentReturn) -> CardTakenBack:
    if isinstance(back, PaymentReturn):
        return CardTakenBack(payment_return=back, amount=back.of.amount)
    return CardTakenBack(refund=back, amount=back.charge.lines.aggregate(sum=Sum("amount"))["sum"])

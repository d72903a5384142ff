"""Counting a day's takings down, confirming a difference, opening a day again, and voiding a payment taken by mistake."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils import timezone

from billing import chart, ledger, payments
from billing.models import BankMatch, Deposit, JournalEntry, Payment, PaymentReturn, Taking, TakingCount
from billing.taking import queries, rules
from billing.taking.days import COUNTED, TakingClosedError
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import Office, User
from rentals.staff.policy import require


class ChequesNotTickedError(Exception):
    """Checks that the books have are not among those in hand."""

    def __init__(self, missing: Sequence[Payment]) -> None:
        named = ", ".join(f"{each.cheque_number} over {written(each.amount)} ({each.household.name})" for each in missing)
        super().__init__(f"Not ticked: check {named}. Find it, or void the payment if it was never taken.")
        self.missing = list(missing)


class DifferenceNeedsReasonError(Exception):
    """Counted and expected differ, and nobody says why."""

    def __init__(self, difference: Decimal, expected: Decimal) -> None:
        word = "short" if difference < 0 else "over"
        super().__init__(
            f"The cash is {written(abs(difference))} {word}: {written(expected)} should be there. Count again; if it stays so, "
            "write what may have happened."
        )
        self.difference, self.expected = difference, expected


class NotWaitingError(Exception):
    """No count of the day waits for a second person."""

    def __init__(self) -> None:
        super().__init__("Nothing waits for a second person here any more. Look at the day again.")


class OwnCountError(Exception):
    """Nobody confirms what he counted himself."""

    def __init__(self) -> None:
        super().__init__("You counted this day yourself: another manager has to confirm the difference.")


class NotClosedError(Exception):
    """The day is open already."""

    def __init__(self) -> None:
        super().__init__("These takings are open already.")


class DifferenceDepositedError(Exception):
    """What was over or short went into a deposit, so the count stands."""

    def __init__(self, count: TakingCount) -> None:
        number = count.deposit.number if count.deposit else ""
        super().__init__(f"The difference of this day went into deposit {number}, so the count stands.")


class ReasonMissingError(Exception):
    """Nobody says why."""

    def __init__(self) -> None:
        super().__init__("Write the reason in one line.")


class NotAMistakeError(Exception):
    """The payment cannot be voided as a mistake any more, or never could."""

    def __init__(self, payment: Payment, why: str) -> None:
        super().__init__(f"Payment {payment.number} cannot be voided: {why}")
        self.payment = payment


@dataclass(frozen=True)
class CountedDown:
    """What was counted: pieces by denomination in cents, the checks ticked, and why it differs ("" where it does not)."""

    pieces: Mapping[int, int]
    cheques: frozenset[int]
    reason: str = ""


def cash_limit() -> Decimal:
    """Return up to which difference, included, nobody else need confirm; zero while no office is written down."""
    limit = Office.objects.values_list("cash_limit", flat=True).first()
    return ZERO if limit is None else limit


@transaction.atomic
def count_down(*, taking: Taking, counted: CountedDown, acting_user: User, now: datetime.datetime) -> TakingCount:
    """Count a person's own day down and close it; above the office's limit the difference waits for a second person.

    A difference is posted to "Cash over and short" when the day closes. Outermost. Raises PermissionDenied,
    TakingClosedError, ChequesNotTickedError, DifferenceNeedsReasonError, MonthClosedError.
    """
    if taking.person_id != acting_user.pk:
        raise PermissionDenied
    taking = lock_one(Taking.objects.filter(pk=taking.pk))
    if queries.get_count(taking) is not None:
        raise TakingClosedError(acting_user, taking.day)
    expected = queries.get_expected(taking)
    missing = [each for each in expected.cheques if each.pk not in counted.cheques]
    if missing:
        raise ChequesNotTickedError(missing)
    cash = rules.sum_pieces(counted.pieces)
    difference = cash - expected.cash
    if difference and not counted.reason.strip():
        raise DifferenceNeedsReasonError(difference, expected.cash)
    count = TakingCount(
        taking=taking,
        pieces={str(cents): pieces for cents, pieces in counted.pieces.items() if pieces},
        counted_cash=cash,
        taken_cash=expected.taken_cash,
        paid_back=expected.paid_back,
        banked=expected.banked,
        difference=difference,
        cheque_count=len(expected.cheques),
        cheque_sum=expected.cheque_sum,
        reason=counted.reason.strip() if difference else "",
        needs_second=abs(difference) > cash_limit(),
        counted_at=now,
        counted_by=acting_user,
    )
    count.save(force_insert=True)
    if not count.needs_second:
        _close(count, acting_user=acting_user, now=now)
    return count


@transaction.atomic
def confirm_count(*, taking: Taking, acting_user: User, now: datetime.datetime) -> TakingCount:
    """Close a day whose difference is above the limit, as a second person.

    Outermost. Raises PermissionDenied, NotWaitingError, OwnCountError, MonthClosedError.
    """
    require(acting_user, "takings.confirm")
    count = _lock_count(taking)
    if count is None or count.closed_at is not None:
        raise NotWaitingError
    if count.counted_by_id == acting_user.pk:
        raise OwnCountError
    _close(count, acting_user=acting_user, now=now)
    return count


@transaction.atomic
def reopen(*, taking: Taking, reason: str, acting_user: User, now: datetime.datetime) -> TakingCount:
    """Open a counted day again, with a reason: its count stands no more, and a posted difference is taken back.

    Outermost. Raises PermissionDenied, ReasonMissingError, NotClosedError, DifferenceDepositedError, MonthClosedError.
    """
    require(acting_user, "takings.confirm")
    if not reason.strip():
        raise ReasonMissingError
    count = _lock_count(taking)
    if count is None:
        raise NotClosedError
    if count.deposit_id is not None:
        raise DifferenceDepositedError(count)
    if count.entry is not None:
        on = ledger.open_day(count.entry.entry_on)
        ledger.reverse_entry(entry=count.entry, entry_on=on, reason=reason.strip(), acting_user=acting_user, now=now)
    count.reopened_at, count.reopened_by, count.reopen_reason = now, acting_user, reason.strip()
    count.save(update_fields=["reopened_at", "reopened_by", "reopen_reason"])
    return count


@transaction.atomic
def void_payment(*, payment: Payment, reason: str, acting_user: User, now: datetime.datetime) -> PaymentReturn:
    """Void a payment taken by mistake: on its own day, before that day is counted down, by who took it or by a manager.

    It keeps its number; what it paid is owed again. Outermost. Raises PermissionDenied, ReasonMissingError,
    PaymentReturnedError, NotAMistakeError (with the path that is right), MonthClosedError.
    """
    if payment.taken_by_id != acting_user.pk:
        require(acting_user, "takings.confirm")
    if not reason.strip():
        raise ReasonMissingError
    payment = payments.lock_payment(payment)
    today = timezone.localdate(now)
    if payment.taking_id is not None:
        lock_one(Taking.objects.filter(pk=payment.taking_id))
    why = why_not_void(payment, today)
    if why:
        raise NotAMistakeError(payment, why)
    back = payments.Back(PaymentReturn.Kind.MISTAKE, reason.strip(), today)
    return payments.take_back(payment=payment, back=back, acting_user=acting_user, now=now)


OTHER_WAYS = {
    Payment.Method.CARD: "it was paid by card. Pay it back to the card, on the page of the card payment.",
    Payment.Method.DEBIT: "it was debited from the family’s bank account. What the bank sends back comes with its file of "
    "returns; what was debited wrongly is paid back as a refund.",
    Payment.Method.TRANSFER: "it came to the bank by itself. If it was taken in from the wrong line of the bank, undo that "
    "match; if the family paid too much, pay it back as a refund.",
}
"""Why money that never lay in the drawer is not voided, and what to do instead."""


def why_not_void(payment: Payment, today: datetime.date) -> str:
    """Return why a payment is no mistake to be voided, with the path that is right; "" when it may be voided now."""
    if payment.method not in COUNTED:
        return OTHER_WAYS[Payment.Method(payment.method)]
    if payment.taking is None:
        return "it was taken before takings were kept. Pay it back as a refund instead."
    if payment.deposit is not None:
        return _why_not_of_deposit(payment, payment.deposit)
    if payment.taking.day != today:
        return f"it was taken on {written_day(payment.taking.day)}, and a mistake is voided on its own day. Pay it back instead."
    if queries.get_count(payment.taking) is not None:
        return (
            f"the takings of {payment.taken_by.name} of today are counted down, and it was counted with them. Let a manager open "
            "the day again, void it, and count anew; or pay it back as a refund."
        )
    return ""


def _why_not_of_deposit(payment: Payment, deposit: Deposit) -> str:
    """Say what becomes of money that went to the bank: the bank may send a check back, cash it keeps."""
    line = "the bank’s line shows it" if BankMatch.objects.filter(deposit=deposit, undone_at=None).exists() else ""
    there = f"it went to the bank with deposit {deposit.number}" + (f", and {line}" if line else "")
    if payment.method == Payment.Method.CHEQUE:
        return f"{there}. If the bank sends the check back, use Returned by the bank; else pay it back as a refund."
    return f"{there}. Pay it back as a refund instead."


def _lock_count(taking: Taking) -> TakingCount | None:
    lock_one(Taking.objects.filter(pk=taking.pk))
    return queries.get_count(taking)


def _close(count: TakingCount, *, acting_user: User, now: datetime.datetime) -> None:
    count.closed_at, count.closed_by = now, acting_user
    if count.difference:
        person = count.taking.person
        count.entry = ledger.post_entry(
            entry_on=ledger.open_day(count.taking.day),
            kind=JournalEntry.Kind.ADJUSTMENT,
            memo=f"Cash {'short' if count.difference < 0 else 'over'}, {person.name} {count.taking.day}: {count.reason}",
            source=f"taking-count/{count.pk}",
            postings=[
                ledger.Line(chart.UNDEPOSITED, count.difference),
                ledger.Line(chart.CASH_DIFFERENCES, -count.difference),
            ],
            acting_user=acting_user,
            now=now,
        )
    count.save(update_fields=["closed_at", "closed_by", "entry"])

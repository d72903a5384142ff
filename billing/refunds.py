"""Refunds: money a household has on account, paid back.

A refund is a charge that the unused money pays at once. When that money later comes back from the bank, the refund is open
like any bill: owed.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.db import connection, transaction

from billing import allocation, banks, chart, ledger
from billing.charges import Line, write_charge
from billing.credits import AmountNotPositiveError, ReasonMissingError
from billing.models import Charge, ChargeLine, Payment, Refund
from billing.payments import ChequeNumberMissingError
from billing.queries import sum_open_lines
from billing.taking.days import take_into
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

CLEARS_IN = datetime.timedelta(days=10)
"""A check younger than this may still come back. Common practice, no source; the shop's bank knows its own times."""


class StillOwingError(Exception):
    """The household owes something, so its money is needed."""

    def __init__(self, household: Household, owed: Decimal) -> None:
        super().__init__(f"Household {household.number} still owes {written(owed)}, so nothing can be paid back.")
        self.household, self.owed = household, owed


class MoreThanUnusedError(Exception):
    """More than is on account. `unused` is what there is."""

    def __init__(self, unused: Decimal) -> None:
        there = f"only {written(unused)} is on account" if unused else "nothing is on account"
        super().__init__(f"This cannot be paid back: {there}.")
        self.unused = unused


class CreditIsNotMoneyError(Exception):
    """More than was paid in: the rest on account is credit that the office gave."""

    def __init__(self, paid_in: Decimal, credited: Decimal) -> None:
        super().__init__(
            f"Of what is on account the family paid in {written(paid_in)}; the other {written(credited)} is credit from the "
            f"office. Pay back at most {written(paid_in)}, or say that credit is to be paid out as money."
        )
        self.paid_in, self.credited = paid_in, credited


@dataclass(frozen=True)
class OnAccount:
    """What a household has on account: `paid_in` by its payments, `credited` by credit notes.

    `young_checks` are checks among it that may still come back from the bank.
    """

    paid_in: Decimal
    credited: Decimal
    young_checks: tuple[str, ...] = ()

    @property
    def total(self) -> Decimal:
        """Both together."""
        return self.paid_in + self.credited


@dataclass(frozen=True)
class RefundGiven:
    """How money is paid back. `pays_out_credit`: also what is not money but credit from the office."""

    method: str
    amount: Decimal
    on: datetime.date
    reason: str
    cheque_number: str = ""
    pays_out_credit: bool = False


def get_on_account(household_id: int, *, today: datetime.date) -> OnAccount:
    """Return what a household has on account and where it comes from."""
    with connection.cursor() as cursor:
        sql = f"SELECT payment_id, unused FROM ({allocation.UNUSED_MONEY}) u"  # noqa: S608
        cursor.execute(sql, {"households": [household_id]})
        rows: Sequence[tuple[int | None, Decimal]] = cursor.fetchall()
    young = Payment.objects.filter(
        pk__in=[key for key, _ in rows if key], method=Payment.Method.CHEQUE, received_on__gt=today - CLEARS_IN
    )
    return OnAccount(
        paid_in=sum((unused for key, unused in rows if key), ZERO),
        credited=sum((unused for key, unused in rows if not key), ZERO),
        young_checks=tuple(young.order_by("pk").values_list("number", flat=True)),
    )


@transaction.atomic
def make_refund(
    *, household: Household, given: RefundGiven, acting_user: User, now: datetime.datetime, request_key: UUID | None = None
) -> Refund:
    """Pay back money that a household has on account: cash out of what is on hand, a check or a transfer from the bank.

    Only while nothing is open. Outermost. Sent again with the same `request_key` it returns the first one. Raises
    AmountNotPositiveError, ReasonMissingError, ChequeNumberMissingError, StillOwingError, MoreThanUnusedError,
    CreditIsNotMoneyError, MonthClosedError, TakingClosedError, RequestKeyReusedError.
    """
    _check_form(given)
    if request_key is not None:
        request = {"household": household.pk, "method": given.method, "amount": given.amount, "on": given.on}
        request |= {"cheque": given.cheque_number, "reason": given.reason, "credit": given.pays_out_credit}
        answer = claim_request(key=request_key, purpose="refund", request=request, acting_user=acting_user)
        if answer is not None:
            return Refund.objects.get(pk=answer["refund"])
    household = lock_one(Household.objects.filter(pk=household.pk))
    _check_account(household, given)
    charge = write_charge(
        Charge(household=household, kind=Charge.Kind.REFUND, due_on=ledger.open_day(given.on)),
        [Line(ChargeLine.Kind.REFUND, f"Paid back: {given.reason.strip()}", given.amount)],
        memo=" ".join(["Refund", household.number, Refund.Method(given.method).label.lower(), given.cheque_number]).strip(),
        acting_user=acting_user,
        now=now,
        against=[ledger.Line(_account(given.method), -given.amount)],
    )
    refund = Refund.objects.create(
        charge=charge,
        method=given.method,
        cheque_number=given.cheque_number.strip() if given.method == Refund.Method.CHEQUE else "",
        reason=given.reason.strip(),
        taking_id=take_into(method=given.method, person=acting_user, now=now) if given.method == Refund.Method.CASH else None,
        made_at=now,
        made_by=acting_user,
    )
    if request_key is not None:
        keep_answer(key=request_key, answer={"refund": refund.pk})
    return refund


def _check_form(given: RefundGiven) -> None:
    if given.amount <= 0:
        raise AmountNotPositiveError
    if not given.reason.strip():
        raise ReasonMissingError
    if given.method == Refund.Method.CHEQUE and not given.cheque_number.strip():
        raise ChequeNumberMissingError


def _check_account(household: Household, given: RefundGiven) -> None:
    owed = sum_open_lines(household.pk)
    if owed > 0:
        raise StillOwingError(household, owed)
    there = get_on_account(household.pk, today=given.on)
    if given.amount > there.total:
        raise MoreThanUnusedError(there.total)
    if given.amount > there.paid_in and not given.pays_out_credit:
        raise CreditIsNotMoneyError(there.paid_in, there.credited)


def _account(method: str) -> str:
    """Cash leaves what is on hand, a check or a transfer the bank; what goes back to a card makes a later payout smaller."""
    if method == Refund.Method.CARD:
        return chart.CARDS_ON_THE_WAY
    return chart.UNDEPOSITED if method == Refund.Method.CASH else banks.deposit_books()

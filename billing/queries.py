"""What the books say of a household: sums of what it owes, what an amount would pay; and lists that screens share.

The account itself, and rental credit, have modules of their own and are read from here too.
"""

import datetime
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import QuerySet, Sum

from billing import aging, allocation, chart, deposits
from billing.models import Charge, ChargeLine, CreditNote, Deposit, Payment
from billing.on_account import (
    charge_on_account,
    credit_note_on_account,
    get_household_account,
    list_movements,
    payment_on_account,
)
from billing.rental_credit import (
    CreditShortfall,
    RentalCredit,
    list_credit_shortfalls,
    sum_rental_credit,
    sum_rental_credits,
)
from rentals.runtime.money import ZERO

__all__ = [
    "CreditShortfall",
    "RentalCredit",
    "charge_on_account",
    "credit_note_on_account",
    "get_household_account",
    "list_credit_shortfalls",
    "list_movements",
    "payment_on_account",
    "sum_rental_credit",
    "sum_rental_credits",
]

BALANCE = "SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE household_id = %s AND account_id = %s"


def sum_balance(household_id: int) -> Decimal:
    """Return what a household owes (positive) or has on account (negative), from the ledger."""
    with connection.cursor() as cursor:
        cursor.execute(BALANCE, [household_id, chart.RECEIVABLES])
        return Decimal(cursor.fetchone()[0])


def sum_credited(household_id: int) -> Decimal:
    """Return what the office has credited to a household by adjustments in force; write-offs are not told to families."""
    notes = CreditNote.objects.filter(household=household_id, kind=CreditNote.Kind.ADJUSTMENT, void_entry=None)
    return Decimal(notes.aggregate(sum=Sum("amount"))["sum"] or ZERO)


def sum_open_lines(household_id: int, *, due_through: datetime.date | None = None, agreement_id: int | None = None) -> Decimal:
    """Return what is charged and unpaid, not set off against money on account: all of it, or only what is due through a day,
    or only what one agreement owes.
    """
    sql = f"""SELECT coalesce(sum(x.open), 0) FROM ({allocation.OPEN_LINES}) x
              JOIN billing_chargeline l ON l.id = x.id JOIN billing_charge c ON c.id = l.charge_id
             WHERE c.due_on <= coalesce(%(through)s::date, 'infinity'::date)
               AND (%(agreement)s::bigint IS NULL OR c.agreement_id = %(agreement)s::bigint)"""  # noqa: S608
    given = {"households": [household_id], "through": due_through, "agreement": agreement_id}
    with connection.cursor() as cursor:
        cursor.execute(sql, given)
        return Decimal(cursor.fetchone()[0])


def sum_open_by_agreement(agreement_ids: Collection[int], *, due_through: datetime.date) -> dict[int, Decimal]:
    """Return what of each agreement is charged, due through a day and unpaid; one that owes nothing is left out."""
    sql = f"""SELECT c.agreement_id, sum(x.open) FROM ({allocation.OPEN_LINES}) x
              JOIN billing_chargeline l ON l.id = x.id JOIN billing_charge c ON c.id = l.charge_id
             WHERE c.due_on <= %(through)s AND c.agreement_id = ANY(%(agreements)s) GROUP BY 1"""  # noqa: S608
    households = list(Charge.objects.filter(agreement__in=agreement_ids).values_list("household", flat=True).distinct())
    given: dict[str, Any] = {"households": households, "agreements": list(agreement_ids), "through": due_through}
    with connection.cursor() as cursor:
        cursor.execute(sql, given)
        return dict(cursor.fetchall())


@dataclass(frozen=True)
class WouldPay:
    """What an amount would pay if it were taken now."""

    description: str
    due_on: datetime.date
    amount: Decimal
    left_open: Decimal


def list_would_pay(household_id: int, amount: Decimal) -> tuple[list[WouldPay], Decimal]:
    """List the lines an amount would pay, oldest first, and what would stay on account. Money on account is used before it."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT id, open FROM ({allocation.OPEN_LINES}) x ORDER BY place", {"households": [household_id]})  # noqa: S608
        open_lines = cursor.fetchall()
    lines = ChargeLine.objects.select_related("charge").in_bulk([key for key, _ in open_lines])
    paid, left = [], amount
    for key, open_amount in open_lines:
        if left <= 0:
            break
        part = min(left, open_amount)
        left -= part
        paid.append(WouldPay(lines[key].description, lines[key].charge.due_on, part, open_amount - part))
    return paid, left


def _list_words(descriptions: Iterable[str]) -> str:
    """Write a list as a sentence begins; only first letters change, so that a model keeps its name."""
    words = ", ".join(each[:1].lower() + each[1:] for each in dict.fromkeys(descriptions))
    return words[:1].upper() + words[1:]


def by_due_day(lines: Sequence[WouldPay]) -> list[WouldPay]:
    """Draw lines due on one day together, for eyes that want the sum: Rent, sales tax on rent, protection."""
    days: dict[datetime.date, list[WouldPay]] = {}
    for line in lines:
        days.setdefault(line.due_on, []).append(line)
    return [
        WouldPay(
            _list_words(line.description for line in those),
            due_on,
            sum((line.amount for line in those), ZERO),
            sum((line.left_open for line in those), ZERO),
        )
        for due_on, those in days.items()
    ]


def list_undeposited() -> QuerySet[Payment]:
    """List the cash and checks on hand, oldest first."""
    return (
        Payment.objects.filter(deposit=None, payment_return=None, method__in=deposits.METHODS[Deposit.Kind.COUNTER])
        .select_related("household", "taken_by")
        .order_by("received_on", "id")
    )


def list_overdue(on: datetime.date) -> list[aging.Overdue]:
    """List the households that owe something due before `on`, the longest overdue first."""
    return aging.list_overdue(on)

"""Who owes for how long, and who owes most: one pass over the open items."""

import datetime
from decimal import Decimal
from typing import NamedTuple

from django.db import connection

from rentals.runtime.money import ZERO

AGING = """
WITH late AS (
    SELECT household_id, min(due_on) AS since, sum(open) AS amount,
           coalesce(sum(open) FILTER (WHERE due_on >= %(on)s - 30), 0) AS to_30,
           coalesce(sum(open) FILTER (WHERE due_on < %(on)s - 30 AND due_on >= %(on)s - 60), 0) AS to_60,
           coalesce(sum(open) FILTER (WHERE due_on < %(on)s - 60 AND due_on >= %(on)s - 90), 0) AS to_90,
           coalesce(sum(open) FILTER (WHERE due_on < %(on)s - 90), 0) AS older
      FROM billing_openitem WHERE due_on < %(on)s GROUP BY household_id
)
SELECT h.id, h.number, h.name, l.since, l.amount, l.to_30, l.to_60, l.to_90, l.older
  FROM late l JOIN families_household h ON h.id = l.household_id ORDER BY l.since, h.id
"""


class Overdue(NamedTuple):
    """What one household owes past its due date, by age in days: 1 to 30, 31 to 60, 61 to 90, more."""

    household_id: int
    number: str
    name: str
    since: datetime.date
    amount: Decimal
    to_30: Decimal
    to_60: Decimal
    to_90: Decimal
    older: Decimal


def list_overdue(on: datetime.date) -> list[Overdue]:
    """List the households that owe something due before `on`, the longest overdue first."""
    with connection.cursor() as cursor:
        cursor.execute(AGING, {"on": on})
        return [Overdue._make(row) for row in cursor.fetchall()]


LARGEST = """
SELECT h.id, h.number, h.name, o.open
  FROM (SELECT household_id, sum(open) AS open FROM billing_openitem GROUP BY household_id ORDER BY 2 DESC, 1 LIMIT %s) o
  JOIN families_household h ON h.id = o.household_id ORDER BY o.open DESC, h.id
"""


class Debtor(NamedTuple):
    """What one household has to pay, due or not."""

    household_id: int
    number: str
    name: str
    amount: Decimal


def list_largest_debtors(count: int = 50) -> list[Debtor]:
    """List the households with most to pay, the largest first."""
    with connection.cursor() as cursor:
        cursor.execute(LARGEST, [count])
        return [Debtor._make(row) for row in cursor.fetchall()]


def total(rows: list[Overdue]) -> Overdue | None:
    """Add the columns up, None when there is nothing."""
    if not rows:
        return None
    sums = [sum((getattr(row, name) for row in rows), ZERO) for name in ("amount", "to_30", "to_60", "to_90", "older")]
    return Overdue(0, "", "", rows[0].since, *sums)

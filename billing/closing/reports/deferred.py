"""What was received or billed and not earned yet: families' money on account, and rent billed for days after the month."""

import datetime
from decimal import Decimal

from django.db import connection
from django.urls import reverse

from billing import chart, reports
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Caution, Column, Report, Row, Tie, add, columns
from billing.closing.span import Month
from rentals.runtime.money import ZERO

ON_ACCOUNT = """
SELECT h.id, h.number, h.name, -sum(p.amount) FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
  JOIN families_household h ON h.id = p.household_id
 WHERE p.account_id = %(receivables)s AND e.entry_on <= %(on)s GROUP BY h.id HAVING sum(p.amount) < 0 ORDER BY h.number
"""

# Of each line the share of its days that lie after the day, half up to the cent, line by line.
AHEAD = """
WITH bills AS (
    SELECT c.id, c.entry_id, v.title AS plan, (c.period_ends_on - greatest(c.period_begins_on, %(after)s::date))::numeric
           / (c.period_ends_on - c.period_begins_on) AS share
      FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id
      JOIN agreements_agreement a ON a.id = c.agreement_id JOIN agreements_planversion v ON v.id = a.plan_version_id
      LEFT JOIN billing_journalentry b ON b.id = c.void_entry_id
     WHERE c.kind = 'rent' AND c.period_ends_on > %(after)s AND e.entry_on <= %(on)s AND (b.id IS NULL OR b.entry_on > %(on)s)
)
SELECT b.plan, l.kind, count(*), sum(l.amount), sum(round(l.amount * b.share, 2))
  FROM bills b JOIN billing_chargeline l ON l.charge_id = b.id AND NOT l.is_tax
 GROUP BY 1, 2 ORDER BY 1, 2 DESC
"""
POSTED = """
SELECT coalesce(-sum(p.amount), 0) FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id
  JOIN billing_posting p ON p.entry_id = c.entry_id AND p.account_id IN (%(rent)s, %(protection)s)
  LEFT JOIN billing_journalentry b ON b.id = c.void_entry_id
 WHERE c.kind = 'rent' AND c.period_ends_on > %(after)s AND e.entry_on <= %(on)s AND (b.id IS NULL OR b.entry_on > %(on)s)
"""


def deferred(month: Month) -> Report:
    """List money on account family by family, and of what was billed the part for days after the month, by plan."""
    given: dict[str, datetime.date | str] = {"on": month.last_day, "after": month.ends_before, "receivables": chart.RECEIVABLES}
    with connection.cursor() as cursor:
        cursor.execute(ON_ACCOUNT, given)
        held = cursor.fetchall()
        cursor.execute(AHEAD, given)
        ahead = cursor.fetchall()
        cursor.execute(POSTED, {**given, "rent": chart.RENT, "protection": chart.PROTECTION})
        posted = cursor.fetchone()[0]
    rows = [
        Row(("Money on account", f"{name} {number}", 1, amount, amount), reverse("household", args=[key]))
        for key, number, name, amount in held
    ]
    rows += [
        Row((f"Billed for days after {_short(month.last_day)}", f"{kind.capitalize()}, {plan}", count, billed, part))
        for plan, kind, count, billed, part in ahead
    ]
    owed = reports.split_receivables(month.last_day).owed
    control = list_balances(month.last_day).get(chart.RECEIVABLES, ZERO)
    return Report(
        code="deferred",
        title="Deferred and unapplied",
        month=month,
        columns=(*columns("What", "Whose"), Column("Count", "count"), Column("Of", "balance"), Column("Not earned yet", "money")),
        rows=tuple(rows),
        ties=(
            Tie(f"What others owe, less money on account, beside account {chart.RECEIVABLES}", owed - _sum(held), control),
            Tie("The bills’ rent and protection beside what they posted as income", add(row[3] for row in ahead), posted),
        ),
        notes=("Of a bill’s rent and protection the share of its days after the month, by actual days, to the cent.",),
        caution=Caution(
            "law", "Whether and when billed rent is deferred is for the accountant; nothing is posted by this report."
        ),
    )


def _sum(held: list[tuple[int, str, str, Decimal]]) -> Decimal:
    return add(row[3] for row in held)


def _short(day: datetime.date) -> str:
    from rentals.runtime.templatetags.office import day as written_day

    return written_day(day, "short")

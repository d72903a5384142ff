"""What families owe, rolled forward month by month: opening, charged, voided, paid, credited, returned, paid back, closing."""

import datetime
from decimal import Decimal

from django.db import connection
from django.urls import reverse

from billing import chart
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Column, Report, Row, Tie, add, columns, money
from billing.closing.span import Month, first_month, month_of
from rentals.runtime.money import ZERO

SORTS = ("charged", "voided", "paid", "credited", "returned", "refunded", "other")
MONTHS = 12

# A reversal belongs with what it takes back; only of a bill it stands in a column of its own.
MOVES = """
SELECT date_trunc('month', e.entry_on)::date,
       CASE WHEN c.kind = 'refund' THEN 'refunded'
            WHEN k.kind = 'charge' AND e.reverses_id IS NULL THEN 'charged' WHEN k.kind = 'charge' THEN 'voided'
            WHEN k.kind = 'payment' AND e.reverses_id IS NULL THEN 'paid' WHEN k.kind = 'payment' THEN 'returned'
            WHEN k.kind = 'returned_payment' THEN 'returned' WHEN k.kind = 'adjustment' THEN 'credited' ELSE 'other' END,
       sum(p.amount)
  FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
  JOIN billing_journalentry k ON k.id = coalesce(e.reverses_id, e.id) LEFT JOIN billing_charge c ON c.entry_id = k.id
 WHERE p.account_id = %(receivables)s AND e.entry_on >= %(first)s AND e.entry_on < %(before)s
 GROUP BY 1, 2
"""


def receivables(month: Month) -> Report:
    """Roll the control account forward, the twelve months that end with this one. Columns add up from left to right."""
    begins = _begins(month)
    moves: dict[tuple[datetime.date, str], Decimal] = {}
    with connection.cursor() as cursor:
        given: dict[str, datetime.date | str] = {
            "receivables": chart.RECEIVABLES,
            "first": begins.first_day,
            "before": month.ends_before,
        }
        cursor.execute(MOVES, given)
        moves = {(on, sort): amount for on, sort, amount in cursor.fetchall()}
    balance, rows, each = list_balances(begins.day_before).get(chart.RECEIVABLES, ZERO), [], begins
    while each.first_day <= month.first_day:
        moved = [moves.get((each.first_day, sort), ZERO) for sort in SORTS]
        opening, balance = balance, balance + add(moved)
        link = f"{reverse('journal')}?account={chart.RECEIVABLES}&from={each.first_day}&through={each.last_day}"
        rows.append(Row((str(each), opening, *moved, balance), link))
        each = month_of(each.ends_before)
    control = list_balances(month.last_day).get(chart.RECEIVABLES, ZERO)
    return Report(
        code="receivables",
        title="Receivables, rolled forward",
        month=month,
        columns=(
            *columns("Month", Column("Opening", "balance")),
            *money("Charged", "Voided", "Paid", "Credited", "Returned", "Paid back", "Other"),
            Column("Closing", "balance"),
        ),
        rows=tuple(rows),
        ties=(Tie(f"Closing beside account {chart.RECEIVABLES}", balance, control),),
        notes=("Columns add up from left to right. What families have on account is taken off what others owe.",),
        total_word="All months",
    )


def _begins(month: Month) -> Month:
    begins, first = month, first_month(month.last_day)
    for _ in range(MONTHS - 1):
        if begins.first_day > first.first_day:
            begins = month_of(begins.day_before)
    return begins

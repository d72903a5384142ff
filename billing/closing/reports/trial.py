"""The trial balance of a month: what every account stood at, what moved on it, and where that left it."""

from decimal import Decimal

from django.db import connection
from django.urls import reverse

from billing import chart, reports
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Column, Report, Row, Tie, add, columns, money
from billing.closing.span import Month
from billing.models import Account
from rentals.runtime.money import ZERO

MOVED = """
SELECT p.account_id, coalesce(sum(p.amount) FILTER (WHERE p.amount > 0), 0),
       coalesce(-sum(p.amount) FILTER (WHERE p.amount < 0), 0)
  FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
 WHERE e.entry_on >= %(first)s AND e.entry_on < %(before)s GROUP BY 1
"""


def list_moved(month: Month) -> dict[str, tuple[Decimal, Decimal]]:
    """Return what was debited and what was credited to each account in a month, both positive."""
    with connection.cursor() as cursor:
        cursor.execute(MOVED, {"first": month.first_day, "before": month.ends_before})
        return {code: (debits, credits) for code, debits, credits in cursor.fetchall()}


def trial_balance(month: Month) -> Report:
    """Set every account out. What families owe stands as a debit, what they have on account as a credit of the same line."""
    before, moved, split = list_balances(month.day_before), list_moved(month), reports.split_receivables(month.last_day)
    rows = []
    for account in Account.objects.all():
        debits, credits = moved.get(account.code, (ZERO, ZERO))
        opening = before.get(account.code, ZERO)
        closing = opening + debits - credits
        owed, held = max(closing, ZERO), max(-closing, ZERO)
        if account.code == chart.RECEIVABLES:
            owed, held = split.owed, split.on_account
        link = f"{reverse('journal')}?account={account.code}&from={month.first_day}&through={month.last_day}"
        kind = str(Account.Kind(account.kind).label)
        cells = (account.code, account.name, kind, opening, debits, credits, owed or None, held or None)
        rows.append(Row(cells, link))
    after = list_balances(month.last_day)
    return Report(
        code="trial-balance",
        title="Trial balance",
        month=month,
        columns=(
            *columns("Account", "Name", "Kind", Column("At its beginning", "money")),
            *money("Debited", "Credited", "Debit", "Credit"),
        ),
        rows=tuple(rows),
        ties=(
            Tie("Debit balances beside credit balances", _sum(rows, 6), _sum(rows, 7)),
            Tie("What was debited beside what was credited", _sum(rows, 4), _sum(rows, 5)),
            Tie("Beginning and movement beside the closing balances, debits only", _sum(rows, 6), _debits(after, split)),
        ),
        notes=("“Owed by families” shows what families owe as a debit, and what others have on account as a credit.",),
    )


def _sum(rows: list[Row], place: int) -> Decimal:
    return add(cell for row in rows if isinstance(cell := row.cells[place], Decimal))


def _debits(after: dict[str, Decimal], split: reports.Receivables) -> Decimal:
    return add(max(balance, ZERO) for code, balance in after.items() if code != chart.RECEIVABLES) + split.owed

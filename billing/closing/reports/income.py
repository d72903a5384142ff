"""Income by kind: what was charged, what was taken back, the month and the year so far."""

from decimal import Decimal

from django.db import connection
from django.urls import reverse

from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Report, Row, Tie, add, columns, money
from billing.closing.span import Month
from billing.models import Account
from rentals.runtime.money import ZERO

INCOME = """
SELECT p.account_id,
       coalesce(-sum(p.amount) FILTER (WHERE e.entry_on >= %(first)s AND e.reverses_id IS NULL), 0),
       coalesce(-sum(p.amount) FILTER (WHERE e.entry_on >= %(first)s AND e.reverses_id IS NOT NULL), 0),
       -sum(p.amount)
  FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id JOIN billing_account a ON a.code = p.account_id
 WHERE a.kind = 'income' AND e.entry_on >= %(year)s AND e.entry_on < %(before)s GROUP BY 1
"""


def income(month: Month) -> Report:
    """List the accounts of income; income is positive, what lessens it (credit applied, discounts) negative."""
    with connection.cursor() as cursor:
        given = {"first": month.first_day, "before": month.ends_before, "year": month.first_day.replace(month=1)}
        cursor.execute(INCOME, given)
        found = {code: figures for code, *figures in cursor.fetchall()}
    rows = []
    for account in Account.objects.filter(kind=Account.Kind.INCOME):
        charged, taken_back, year = found.get(account.code, [ZERO, ZERO, ZERO])
        link = f"{reverse('journal')}?account={account.code}&from={month.first_day}&through={month.last_day}"
        rows.append(Row((account.name, account.code, charged, taken_back, charged + taken_back, year), link))
    shown = add(cell for row in rows if isinstance(cell := row.cells[4], Decimal))
    return Report(
        code="income",
        title="Income by kind",
        month=month,
        columns=(*columns("Kind", "Account"), *money("Charged", "Taken back", "In the month", "Since January 1")),
        rows=tuple(rows),
        ties=(Tie("Income of the month beside what moved on the accounts of income", shown, _moved(month)),),
        notes=("Income is shown when it was billed, whether or not it was paid.",),
    )


def _moved(month: Month) -> Decimal:
    codes = list(Account.objects.filter(kind=Account.Kind.INCOME).values_list("code", flat=True))
    before, after = list_balances(month.day_before), list_balances(month.last_day)
    return add(before.get(code, ZERO) - after.get(code, ZERO) for code in codes)

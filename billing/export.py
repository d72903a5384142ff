"""The journal for others: text for Beancount and hledger, and CSV that a spreadsheet opens without running anything."""

import datetime
import re
from collections.abc import Iterator
from decimal import Decimal

from django.conf import settings
from django.db.models import QuerySet

from billing.closing.reports.balances import list_balances
from billing.models import Account, Posting
from rentals.runtime.exports import csv_lines
from rentals.runtime.money import ZERO

ROOTS = {
    Account.Kind.ASSET: "Assets",
    Account.Kind.LIABILITY: "Liabilities",
    Account.Kind.EQUITY: "Equity",
    Account.Kind.INCOME: "Income",
    Account.Kind.EXPENSE: "Expenses",
}
BROUGHT_FORWARD = "Balances brought forward"
HEADINGS = ["entry", "date", "kind", "memo", "source", "undoes", "account", "account name", "household", "debit", "credit"]


def list_postings(*, begins_on: datetime.date | None = None, through_on: datetime.date | None = None) -> QuerySet[Posting]:
    """List postings with their entries in the order of the books; both days are included."""
    rows = Posting.objects.select_related("entry", "account", "household").order_by("entry__entry_on", "entry_id", "id")
    if begins_on:
        rows = rows.filter(entry__entry_on__gte=begins_on)
    if through_on:
        rows = rows.filter(entry__entry_on__lte=through_on)
    return rows


def account_name(account: Account) -> str:
    """Name an account as Beancount wants it: Assets:1200-Owed-by-families."""
    words = re.sub(r"[^A-Za-z0-9]+", "-", account.name).strip("-")
    return f"{ROOTS[Account.Kind(account.kind)]}:{account.code}-{words}"


def list_brought_forward(begins_on: datetime.date | None, accounts: dict[str, str]) -> dict[str, Decimal]:
    """Return what every account stood at before a day, nothing where the whole journal is written."""
    before = list_balances(begins_on - datetime.timedelta(days=1)) if begins_on else {}
    return {code: before.get(code, ZERO) for code in accounts}


def beancount(
    *, begins_on: datetime.date | None = None, through_on: datetime.date | None = None, with_opening: bool = False
) -> Iterator[str]:
    """Write the journal in Beancount's text format, with the balance of every account at the end, exact to the cent.

    Its balance directive lets a difference of 0.01 pass unless a tolerance is written: `~ 0.001`. `with_opening` begins with
    what the accounts stood at before the first day, so that the balances at the end are those of the books.
    """
    currency = settings.CURRENCY
    yield f'option "title" "Journal"\noption "operating_currency" "{currency}"\n\n'
    accounts = {account.code: account_name(account) for account in Account.objects.all()}
    rows = list_postings(begins_on=begins_on, through_on=through_on)
    first = rows.values_list("entry__entry_on", flat=True).first()
    if with_opening:
        first = begins_on or first
    for name in accounts.values():
        yield f"{first or datetime.date(2000, 1, 1)} open {name} {currency}\n"
    sums = list_brought_forward(begins_on if with_opening else None, accounts)
    if any(sums.values()):
        yield f"\n{begins_on} * {quoted(BROUGHT_FORWARD)}\n"
        yield from (f"  {accounts[code]}  {amount} {currency}\n" for code, amount in sums.items() if amount)
    entry_id, last = 0, first
    for row in rows.iterator(chunk_size=2000):
        if row.entry_id != entry_id:
            entry_id, last = row.entry_id, row.entry.entry_on
            yield f"\n{last} * {quoted(row.entry.memo)}\n  entry: {quoted(str(entry_id))}\n  source: {quoted(row.entry.source)}\n"
        sums[row.account_id] += row.amount
        household = f"\n    household: {quoted(row.household.number)}" if row.household else ""
        yield f"  {accounts[row.account_id]}  {row.amount} {currency}{household}\n"
    yield "\n"
    if last:
        after = last + datetime.timedelta(days=1)
        for code, name in accounts.items():
            yield f"{after} balance {name}  {sums[code]} ~ 0.001 {currency}\n"


def hledger(
    *, begins_on: datetime.date | None = None, through_on: datetime.date | None = None, with_opening: bool = False
) -> Iterator[str]:
    """Write the journal in hledger's text format, with the balance of every account asserted at the end (hledger is exact).

    A description ends where a comment begins, so that a semicolon in a memo becomes a comma. `with_opening` as for Beancount.
    """
    currency = settings.CURRENCY
    yield f"decimal-mark .\ncommodity 1000.00 {currency}\n"
    accounts = {account.code: account_name(account) for account in Account.objects.all()}
    for name in accounts.values():
        yield f"account {name}\n"
    sums = list_brought_forward(begins_on if with_opening else None, accounts)
    entry_id, last = 0, begins_on if any(sums.values()) else None
    if last:
        yield f"\n{last} * {BROUGHT_FORWARD}\n"
        yield from (f"    {accounts[code]}  {amount} {currency}\n" for code, amount in sums.items() if amount)
    for row in list_postings(begins_on=begins_on, through_on=through_on).iterator(chunk_size=2000):
        if row.entry_id != entry_id:
            entry_id, last = row.entry_id, row.entry.entry_on
            yield f"\n{last} * ({entry_id}) {plain(row.entry.memo)}  ; source: {plain(row.entry.source)}\n"
        sums[row.account_id] += row.amount
        household = f"  ; household: {plain(row.household.number)}" if row.household else ""
        yield f"    {accounts[row.account_id]}  {row.amount} {currency}{household}\n"
    if last:
        yield f"\n{last} * Balances\n"
        for code, name in accounts.items():
            yield f"    {name}  0.00 {currency} = {sums[code]} {currency}\n"


def plain(text: str) -> str:
    """Keep a text on one line and out of the way of hledger's comments.

    >>> plain("Reeds; oil")
    'Reeds, oil'
    """
    return text.replace(";", ",").replace("\n", " ")


def quoted(text: str) -> str:
    """Write a string of the Beancount format."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
    return f'"{escaped}"'


def journal_csv(*, begins_on: datetime.date | None = None, through_on: datetime.date | None = None) -> Iterator[str]:
    """Write the journal as CSV, one posting a row."""
    yield from postings_csv(list_postings(begins_on=begins_on, through_on=through_on))


def postings_csv(rows: QuerySet[Posting]) -> Iterator[str]:
    """Write these postings as CSV, debit and credit in columns of their own."""
    yield from csv_lines([HEADINGS])
    yield from csv_lines(
        [
            row.entry_id,
            row.entry.entry_on.isoformat(),
            row.entry.kind,
            row.entry.memo,
            row.entry.source,
            row.entry.reverses_id or "",
            row.account_id,
            row.account.name,
            row.household.number if row.household else "",
            row.amount if row.amount > 0 else "",
            -row.amount if row.amount < 0 else "",
        ]
        for row in rows.iterator(chunk_size=2000)
    )

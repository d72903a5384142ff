"""Bank against books: the closing balance, the ledger's bank account, what explains the difference, and where they part.

Every figure is exact. The difference is taken apart into what came before the first line, lines without a match, entries without
a line, and lines that the files left out; a part that nothing explains is shown as what it is.
"""

import datetime
import itertools
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection, transaction
from django.db.models import QuerySet, Sum

from billing import chart, ledger
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.banking.queries import list_lines
from billing.models import BankAccount, BankLine, JournalEntry
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.staff.models import User


class OpeningPostedError(Exception):
    """The account's opening balance is in the books already."""

    def __init__(self) -> None:
        super().__init__("The opening balance of this account is in the books already.")


class NothingToOpenError(Exception):
    """There is no difference before the first line."""

    def __init__(self) -> None:
        super().__init__("Bank and books agree before the first line: there is nothing to post.")


@dataclass(frozen=True)
class Parting:
    """The first day, and there the first line or entry, from which bank and books differ."""

    on: datetime.date
    what: str
    amount: Decimal
    is_at_bank: bool
    line_id: int | None


@dataclass(frozen=True)
class Gap:
    """Two closing balances that the lines between them do not explain."""

    begins_on: datetime.date
    ends_on: datetime.date
    amount: Decimal


@dataclass(frozen=True)
class Crossing:
    """A matched pair with the day between its two sides. `amount` is what it moved; at the bank by the day, or in the books."""

    entry_on: datetime.date
    posted_on: datetime.date
    title: str
    amount: Decimal
    is_at_bank: bool


@dataclass(frozen=True)
class Reconciliation:
    """Bank and books at the end of one day. `difference` is bank less books; the parts below add up to it.

    told: how the bank's balance is known: "statement" (a file gave it), "typed", or "lines" (worked out from another day's).
    told_to: the last day that the bank's files gave a balance for; what happened there later nobody here knows yet.
    """

    account: BankAccount
    on: datetime.date
    told: str
    bank: Decimal
    books: Decimal
    begins_on: datetime.date | None
    opening: Decimal
    open_lines: list[BankLine]
    waiting: list[Outstanding]
    crossings: list[Crossing]
    gaps: list[Gap]
    parting: Parting | None
    told_to: datetime.date | None = None

    @property
    def is_beyond(self) -> bool:
        """Whether the day lies after all that the bank has told: then only a statement's own balance counts."""
        return self.told == "lines" and (self.told_to is None or self.on > self.told_to)

    @property
    def difference(self) -> Decimal:
        """Bank less books."""
        return self.bank - self.books

    @property
    def sum_open(self) -> Decimal:
        """Lines of the bank that nobody has matched."""
        return sum((line.amount for line in self.open_lines), ZERO)

    @property
    def sum_waiting(self) -> Decimal:
        """Entries of the books that are on no line of the bank."""
        return sum((item.amount for item in self.waiting), ZERO)

    @property
    def crossing(self) -> Decimal:
        """What is at the bank by the day and in the books later, less what is in the books by the day and at the bank later."""
        return sum((each.amount if each.is_at_bank else -each.amount for each in self.crossings), ZERO)

    @property
    def agrees(self) -> bool:
        """Whether the bank told of the day, and the outstanding on both sides explains the difference to the cent."""
        return not (self.is_beyond or self.opening or self.gaps or self.unexplained)

    @property
    def sum_gaps(self) -> Decimal:
        """What lies between closing balances without a line."""
        return sum((gap.amount for gap in self.gaps), ZERO)

    @property
    def unexplained(self) -> Decimal:
        """What is left: zero to the cent, or something is missing here."""
        return self.difference - self.opening - self.sum_open + self.sum_waiting - self.crossing - self.sum_gaps


def reconcile(account: BankAccount, *, on: datetime.date | None = None, balance: Decimal | None = None) -> Reconciliation | None:
    """Hold the account's balance at the end of a day against its account in the ledger; None before the bank gave a balance.

    Of the last day the bank gave a balance for, or of the day `on`; `balance` is then the statement's, typed by a person. A day
    without a balance gets one from the nearest day that has one, by the lines between.
    """
    closings = _closings(account)
    told_to = max(closings, default=None)
    on = on or told_to
    if on is None or (balance is None and not closings):
        return None
    told = "typed" if balance is not None else ("statement" if on in closings else "lines")
    lines = account.lines.filter(left_out_at=None)
    closings[on] = balance if balance is not None else _balance_at(closings, on, lines)
    days = lines.filter(posted_on__lte=on).values("posted_on").annotate(sum=Sum("amount"))
    by_day = {row["posted_on"]: row["sum"] for row in days}
    begins_on = min(by_day, default=None)
    gaps = _gaps({day: closing for day, closing in closings.items() if day <= on}, by_day)
    before = closings[on] - sum(by_day.values(), ZERO) - sum((gap.amount for gap in gaps), ZERO)
    books, books_before = _sums(account, begins_on, on)
    waiting = list_outstanding(books=[account.books_id], begins_on=begins_on, through_on=on, undone_by=on)
    open_lines = list(list_lines("open").filter(account=account, posted_on__lte=on))
    return Reconciliation(
        account=account,
        on=on,
        told=told,
        bank=closings[on],
        books=books,
        begins_on=begins_on,
        opening=before - books_before if begins_on else ZERO,
        open_lines=open_lines,
        waiting=waiting,
        crossings=_crossings(account, on),
        gaps=gaps,
        parting=_parting(open_lines, waiting),
        told_to=told_to,
    )


def _balance_at(closings: dict[datetime.date, Decimal], on: datetime.date, lines: QuerySet[BankLine]) -> Decimal:
    """The balance of a day from the nearest one before it that is known, else the nearest after it."""
    before = max((day for day in closings if day <= on), default=None)
    if before is not None:
        moved = lines.filter(posted_on__gt=before, posted_on__lte=on).aggregate(sum=Sum("amount"))["sum"]
        return closings[before] + (moved or ZERO)
    after = min(closings)
    moved = lines.filter(posted_on__gt=on, posted_on__lte=after).aggregate(sum=Sum("amount"))["sum"]
    return closings[after] - (moved or ZERO)


def _closings(account: BankAccount) -> dict[datetime.date, Decimal]:
    """The bank's closing balances by day; of one day told twice the later telling."""
    rows = account.statements.exclude(balance_on=None).order_by("balance_on", "id").values_list("balance_on", "closing_balance")
    return {on: balance for on, balance in rows if on is not None and balance is not None}


def _gaps(closings: dict[datetime.date, Decimal], by_day: dict[datetime.date, Decimal]) -> list[Gap]:
    """Where two closing balances are not explained by the lines between them."""
    gaps = []
    for begins, ends in itertools.pairwise(sorted(closings)):
        between = sum((amount for day, amount in by_day.items() if begins < day <= ends), ZERO)
        off = closings[ends] - closings[begins] - between
        if off:
            gaps.append(Gap(begins, ends, off))
    return gaps


# What an entry moved on the account, with the line it is matched with.
MOVED = """
    WITH moved AS (
        SELECT e.entry_on, e.source, e.memo, p.amount, m.amount AS matched, b.posted_on, b.account_id
          FROM (SELECT entry_id, sum(amount) AS amount FROM billing_posting WHERE account_id = %(bank)s GROUP BY 1) p
          JOIN billing_journalentry e ON e.id = p.entry_id
          LEFT JOIN billing_deposit d ON d.entry_id = e.id LEFT JOIN billing_payment y ON y.entry_id = e.id
          LEFT JOIN billing_bankmatch m ON m.undone_at IS NULL AND m.books_id = %(bank)s
                AND (m.entry_id = e.id OR m.deposit_id = d.id OR m.payment_id = y.id)
          LEFT JOIN billing_bankline b ON b.id = m.line_id)
"""

# The account in the ledger at the end of the day; of that, what stood there before the bank's first line (its opening balance
# and earlier postings, unless matched after all).
SUMS = f"""{MOVED}
    SELECT coalesce(sum(amount) FILTER (WHERE entry_on <= %(on)s), 0),
           coalesce(sum(amount) FILTER (WHERE matched IS NULL AND (entry_on < %(begins)s OR source LIKE 'bank-opening/%%')), 0)
      FROM moved
"""  # noqa: S608 - no part of it comes from outside
CROSSINGS = f"""{MOVED}
    SELECT entry_on, posted_on, memo, matched, posted_on <= %(on)s FROM moved
     WHERE account_id = %(account)s AND (posted_on <= %(on)s) <> (entry_on <= %(on)s) ORDER BY entry_on, posted_on, memo
"""  # noqa: S608 - no part of it comes from outside


def _sums(account: BankAccount, begins_on: datetime.date | None, on: datetime.date) -> tuple[Decimal, Decimal]:
    given: dict[str, datetime.date | str] = {"bank": account.books_id, "on": on, "begins": begins_on or on}
    with connection.cursor() as cursor:
        cursor.execute(SUMS, given)
        books, before = cursor.fetchone()
    return books, before


def _crossings(account: BankAccount, on: datetime.date) -> list[Crossing]:
    with connection.cursor() as cursor:
        cursor.execute(CROSSINGS, {"bank": account.books_id, "account": account.pk, "on": on})
        return [Crossing(*row) for row in cursor.fetchall()]


def _parting(open_lines: list[BankLine], waiting: list[Outstanding]) -> Parting | None:
    """Return the earliest line without an entry or entry without a line; of one day, the bank's line first."""
    sides = [Parting(x.posted_on, x.name or x.memo or x.kind, x.amount, is_at_bank=True, line_id=x.pk) for x in open_lines]
    sides += [Parting(x.on, x.title, x.amount, is_at_bank=False, line_id=None) for x in waiting]
    return min(sides, key=lambda side: (side.on, not side.is_at_bank), default=None)


@transaction.atomic
def post_opening(*, account: BankAccount, acting_user: User, now: datetime.datetime) -> JournalEntry:
    """Post what the bank had before its first line and the books had not, against opening balances. Outermost.

    Dated on the day before the first line, or the first open day. Raises OpeningPostedError, NothingToOpenError.
    """
    account = lock_one(BankAccount.objects.filter(pk=account.pk))
    source = f"bank-opening/{account.pk}"
    if JournalEntry.objects.filter(source=source).exists():
        raise OpeningPostedError
    found = reconcile(account)
    if found is None or found.begins_on is None or not found.opening:
        raise NothingToOpenError
    return ledger.post_entry(
        entry_on=ledger.open_day(found.begins_on - datetime.timedelta(days=1)),
        kind=JournalEntry.Kind.BANK,
        memo=f"Opening balance of {account}",
        source=source,
        postings=[ledger.Line(account.books_id, found.opening), ledger.Line(chart.OPENING, -found.opening)],
        acting_user=acting_user,
        now=now,
    )

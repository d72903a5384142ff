"""The only writer of entries and postings: what is posted balances, stays, and is undone by an entry that names it."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.conf import settings
from django.db import connection, models, transaction

from billing.models import ClosedMonth, JournalEntry
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User

LONG_BEFORE = datetime.timedelta(days=2 * 365)
"""While no month is closed, nothing is posted longer than this before what the books begin with."""


@dataclass(frozen=True)
class Line:
    """One posting to be: an amount on an account, debit positive. What families owe names the household."""

    account_code: str
    amount: Decimal
    household_id: int | None = None


@dataclass(frozen=True)
class Draft:
    """One entry to be, with its postings and the instant it is written at."""

    entry_on: datetime.date
    kind: str
    memo: str
    source: str
    postings: Sequence[Line]
    made_at: datetime.datetime
    reverses: JournalEntry | None = None


class MonthClosedError(Exception):
    """The day lies in a month whose books are closed. `open_from` is the first day that may be posted on."""

    def __init__(self, open_from: datetime.date) -> None:
        super().__init__(f"The books are closed before {written_day(open_from)}. Use that day or a later one.")
        self.open_from = open_from


class LongBeforeError(MonthClosedError):
    """The day lies long before the books begin: a slip of the year, after which every month from there would be to close."""

    def __init__(self, day: datetime.date, began_on: datetime.date) -> None:
        said = f"The books begin on {written_day(began_on)}, and {written_day(day)} is years before. Check the year."
        Exception.__init__(self, said)
        self.open_from = began_on


class UnbalancedEntryError(Exception):
    """The postings of an entry do not add up to zero, or are fewer than two."""

    def __init__(self, difference: Decimal) -> None:
        super().__init__(f"Debits and credits differ by {difference}.")
        self.difference = difference


class AlreadyReversedError(Exception):
    """The entry has been undone before."""

    def __init__(self, entry: JournalEntry) -> None:
        super().__init__(f"Entry {entry.pk} ({entry.memo}) has been undone already.")
        self.entry = entry


def next_id(model: type[models.Model]) -> int:
    """Take the next primary key of a model: an entry names its source before that source is written."""
    return next_ids(model, 1)[0]


def next_ids(model: type[models.Model], count: int) -> list[int]:
    """Take the next `count` primary keys of a model, ascending."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [model._meta.db_table, count]
        )
        return sorted(int(row[0]) for row in cursor.fetchall())


def open_from() -> datetime.date | None:
    """Return the first day of the first open month, None when no month was ever closed."""
    last = ClosedMonth.objects.aggregate(last=models.Max("first_day"))["last"]
    return None if last is None else month_after(last)


def month_after(day: datetime.date) -> datetime.date:
    """Return the first day of the next month.

    >>> month_after(datetime.date(2026, 12, 24))
    datetime.date(2027, 1, 1)
    """
    return (day.replace(day=1) + datetime.timedelta(days=32)).replace(day=1)


def open_day(day: datetime.date) -> datetime.date:
    """Return the day itself, or the first open day when its month is closed: where a late charge is posted."""
    first = open_from()
    return day if first is None else max(day, first)


def post_entry(
    *,
    entry_on: datetime.date,
    kind: str,
    memo: str,
    source: str,
    postings: Sequence[Line],
    acting_user: User,
    now: datetime.datetime,
    reverses: JournalEntry | None = None,
) -> JournalEntry:
    """Write one entry with all its postings, in one statement, and return it. Postings of zero are left out.

    `source` says once and for all what the entry records ("charge/1042"). Runs inside the operation that needs it.
    Raises UnbalancedEntryError and MonthClosedError, which the database refuses once more, whoever writes; and LongBeforeError.
    """
    draft = Draft(entry_on, kind, memo, source, postings, made_at=now, reverses=reverses)
    return post_entries(drafts=[draft], acting_user=acting_user)[0]


@transaction.atomic
def post_entries(*, drafts: Sequence[Draft], acting_user: User) -> list[JournalEntry]:
    """Write many entries at once, in one statement, and return them in order; the same rules as for one."""
    if not drafts:
        return []
    first = open_from()
    began = JournalEntry.objects.aggregate(first=models.Min("entry_on"))["first"] if first is None else None
    kept: list[list[Line]] = []
    for draft in drafts:
        lines = [line for line in draft.postings if line.amount]
        difference = sum((line.amount for line in lines), ZERO)
        if difference or len(lines) < 2:
            raise UnbalancedEntryError(difference)
        if first is not None and draft.entry_on < first:
            raise MonthClosedError(first)
        if began is not None and draft.entry_on < began - LONG_BEFORE:
            raise LongBeforeError(draft.entry_on, began)
        kept.append(lines)
    entries = [
        JournalEntry(
            entry_on=draft.entry_on,
            kind=draft.kind,
            memo=draft.memo[:200],
            source=draft.source,
            currency=currency(),
            reverses=draft.reverses,
            made_at=draft.made_at,
            made_by=acting_user,
        )
        for draft in drafts
    ]
    _insert(entries, [(place, line) for place, lines in enumerate(kept, 1) for line in lines])
    return entries


# In one statement the database sees an entry and its postings together: neither has to wait for the other.
WRITE = """
WITH drafts AS MATERIALIZED (
    SELECT nextval(pg_get_serial_sequence('billing_journalentry', 'id')) AS id, d.*
      FROM unnest(%s::date[], %s::text[], %s::text[], %s::text[], %s::text[], %s::bigint[], %s::timestamptz[], %s::bigint[])
           WITH ORDINALITY d (entry_on, kind, memo, source, currency, reverses, made_at, made_by, place)
), entries AS (
    INSERT INTO billing_journalentry (id, entry_on, kind, memo, source, currency, reverses_id, made_at, made_by_id)
    SELECT id, entry_on, kind, memo, source, currency, reverses, made_at, made_by FROM drafts ORDER BY place
), postings AS (
    INSERT INTO billing_posting (entry_id, account_id, household_id, amount)
    SELECT drafts.id, p.account, p.household, p.amount
      FROM unnest(%s::bigint[], %s::text[], %s::bigint[], %s::numeric[])
           WITH ORDINALITY p (place, account, household, amount, nth) JOIN drafts USING (place) ORDER BY p.nth
)
SELECT id FROM drafts ORDER BY place
"""


def _insert(entries: Sequence[JournalEntry], lines: Sequence[tuple[int, Line]]) -> None:
    """Write entries and their postings, each posting with the place of its entry from 1 on, and give the entries their keys."""
    columns = zip(
        *((e.entry_on, e.kind, e.memo, e.source, e.currency, e.reverses_id, e.made_at, e.made_by_id) for e in entries),
        strict=True,
    )
    postings = zip(*((place, line.account_code, line.household_id, line.amount) for place, line in lines), strict=True)
    with connection.cursor() as cursor:
        cursor.execute(WRITE, [list(column) for column in (*columns, *postings)])
        for entry, (key,) in zip(entries, cursor.fetchall(), strict=True):
            entry.pk, entry._state.adding, entry._state.db = key, False, connection.alias


def reverse_entry(
    *, entry: JournalEntry, entry_on: datetime.date, reason: str, acting_user: User, now: datetime.datetime
) -> JournalEntry:
    """Undo an entry with one that names it and mirrors every posting. Raises AlreadyReversedError and MonthClosedError."""
    if JournalEntry.objects.filter(reverses=entry).exists():
        raise AlreadyReversedError(entry)
    mirrored = [Line(p.account_id, -p.amount, p.household_id) for p in entry.postings.order_by("id")]
    return post_entry(
        entry_on=entry_on,
        kind=JournalEntry.Kind.REVERSAL,
        memo=f"{entry.memo} undone: {reason}",
        source=f"reversal/{entry.pk}",
        postings=mirrored,
        acting_user=acting_user,
        now=now,
        reverses=entry,
    )


def currency() -> str:
    """Return the one currency of the books."""
    return str(settings.CURRENCY)

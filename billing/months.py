"""The closing of a month itself: in order, when it is over, while the books agree. Its checklist stands in `billing.closing`."""

import datetime

from django.db import connection, transaction
from django.db.models import Count, Max, Min, Q, Sum

from billing import ledger, verify
from billing.models import ClosedMonth, JournalEntry
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User


class NothingToCloseError(Exception):
    """There is no month that could be closed: nothing was ever posted."""

    def __init__(self) -> None:
        super().__init__("Nothing has been posted yet, so there is no month to close.")


class MonthNotOverError(Exception):
    """The month still runs."""

    def __init__(self, first_day: datetime.date) -> None:
        super().__init__(f"{written_day(first_day, 'month')} is not over yet. It can be closed the day after its last.")
        self.first_day = first_day


class MonthOutOfOrderError(Exception):
    """Another month is next: months are closed one after the other. `next_month` is its first day."""

    def __init__(self, next_month: datetime.date) -> None:
        super().__init__(f"Months are closed in order: {written_day(next_month, 'month')} is next.")
        self.next_month = next_month


class BooksNotCleanError(Exception):
    """The books do not agree with themselves; `breaches` says where."""

    def __init__(self, breaches: list[str]) -> None:
        super().__init__("The month cannot be closed while the books do not agree: " + "; ".join(breaches[:3]))
        self.breaches = breaches


def next_to_close() -> datetime.date | None:
    """Return the first day of the month that is closed next: the one after the last closed, or the first with entries."""
    following = ledger.open_from()
    if following is not None:
        return following
    first = JournalEntry.objects.aggregate(first=Min("entry_on"))["first"]
    return None if first is None else first.replace(day=1)


def check_is_next(first_day: datetime.date) -> None:
    """Raise NothingToCloseError or MonthOutOfOrderError unless it is this month that is closed next."""
    following = next_to_close()
    if following is None:
        raise NothingToCloseError
    if first_day != following:
        raise MonthOutOfOrderError(following)


@transaction.atomic
def close_month(*, first_day: datetime.date, acting_user: User, now: datetime.datetime, today: datetime.date) -> ClosedMonth:
    """Close a month: nothing is posted into it, or before it, any more. What it is closed by is `closing.operations`.

    Outermost, or inside a closing with its checklist.
    Raises NothingToCloseError, MonthOutOfOrderError, MonthNotOverError, BooksNotCleanError.
    """
    check_is_next(first_day)
    if today < ledger.month_after(first_day):
        raise MonthNotOverError(first_day)
    breaches = [breach for check in verify.BEFORE_CLOSING for breach in check.find()]
    if breaches:
        raise BooksNotCleanError(breaches)
    with connection.cursor() as cursor:
        # Waits for everyone who is posting; the same key as in the database's own guard.
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.months'))")
    if next_to_close() != first_day:
        raise MonthOutOfOrderError(next_to_close() or first_day)
    entries = JournalEntry.objects.filter(entry_on__gte=first_day, entry_on__lt=ledger.month_after(first_day))
    sums = entries.aggregate(count=Count("pk", distinct=True), debits=Sum("postings__amount", filter=Q(postings__amount__gt=0)))
    return ClosedMonth.objects.create(
        first_day=first_day,
        closed_at=now,
        closed_by=acting_user,
        entry_count=sums["count"],
        debits=sums["debits"] or ZERO,
    )


def last_closed() -> datetime.date | None:
    """Return the first day of the last closed month."""
    last: datetime.date | None = ClosedMonth.objects.aggregate(last=Max("first_day"))["last"]
    return last

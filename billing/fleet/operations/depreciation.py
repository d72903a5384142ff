"""Depreciating the fleet month by month: in order, each month once, every asset up to where its life stands."""

import datetime

from django.db import connection, transaction

from billing import chart, ledger
from billing.fleet import queries
from billing.fleet.locks import hold_fleet
from billing.fleet.words import counted
from billing.models import DepreciatedMonth, FleetAsset, JournalEntry
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User


class FleetNotBookedError(Exception):
    """There is nothing in the books that could be depreciated."""

    def __init__(self) -> None:
        super().__init__("No instruments are in the books yet. Book them first, then depreciate.")


class MonthDepreciatedError(Exception):
    """The month is done, or a later one is. `last` is the last month that is done."""

    def __init__(self, last: datetime.date) -> None:
        super().__init__(
            f"Depreciation is done through {written_day(last, 'month')}. What was booked since is caught up with the next month."
        )
        self.last = last


class MonthSkippedError(Exception):
    """Another month comes first. `next_month` is its first day."""

    def __init__(self, next_month: datetime.date) -> None:
        super().__init__(f"Months are depreciated in order: {written_day(next_month, 'month')} is next.")
        self.next_month = next_month


class DepreciationAheadError(Exception):
    """The month still runs."""

    def __init__(self, month: datetime.date) -> None:
        super().__init__(
            f"{written_day(month, 'month')} is not over yet. It can be depreciated from {written_day(ledger.month_after(month))}."
        )
        self.month = month


WRITE = f"""
INSERT INTO billing_fleetdepreciation (asset_id, month, age, amount, accumulated, entry_id)
SELECT asset_id, %(month)s, age, amount, so_far, %(entry)s FROM ({queries.DUE}) d ORDER BY asset_id
"""  # noqa: S608 - no part of it comes from outside


@transaction.atomic
def depreciate_month(
    *, month: datetime.date, acting_user: User, now: datetime.datetime, today: datetime.date
) -> DepreciatedMonth:
    """Depreciate the whole fleet for a month (its first day) and return what that came to, in one entry on the month's last day.

    An asset that was booked late, or whose earlier months were closed, is caught up in the same row; what lies before the books
    began goes against opening balances. A month in which there is nothing to depreciate is done without an entry.
    Outermost, or in a load. Raises FleetNotBookedError, MonthClosedError, MonthDepreciatedError, MonthSkippedError,
    DepreciationAheadError, RowsBusyError.
    """
    hold_fleet()
    _check_order(month, today)
    due = queries.sum_due(month)
    entry = None
    if due.amount:
        memo = f"Depreciation of {counted(due.count)}, {written_day(month, 'month')}"
        source = f"depreciation/{month:%Y-%m}"
        entry = _post(due, entry_on=_last_day(month), source=source, memo=memo, acting_user=acting_user, now=now)
        _write(month, entry)
    return DepreciatedMonth.objects.create(
        first_day=month,
        entry=entry,
        asset_count=due.count if entry else 0,
        amount=due.amount,
        made_at=now,
        made_by=acting_user,
    )


def depreciate_through(
    *, month: datetime.date, acting_user: User, now: datetime.datetime, today: datetime.date
) -> list[DepreciatedMonth]:
    """Depreciate every month that is next, through this one (its first day), each in a transaction of its own.

    Outermost. Raises what depreciate_month raises; months done before the refused one stay done.
    """
    following = queries.next_month(today)
    if following is None or following > month:
        return [depreciate_month(month=month, acting_user=acting_user, now=now, today=today)]
    done = []
    while following <= month:
        done.append(depreciate_month(month=following, acting_user=acting_user, now=now, today=today))
        following = ledger.month_after(following)
    return done


def catch_up(*, asset: FleetAsset, leaves_on: datetime.date, acting_user: User, now: datetime.datetime) -> None:
    """Depreciate one asset through the month before it leaves the books, where the whole fleet has not come so far.

    A step of removing it, under the shared lock. Where nothing is missing it posts nothing.
    """
    month = (leaves_on.replace(day=1) - datetime.timedelta(days=1)).replace(day=1)
    due = queries.sum_due(month, asset.pk)
    if due.amount:
        entry_on = max(_last_day(month), queries.first_open_day(leaves_on))
        source = f"depreciation/{month:%Y-%m}/{asset.pk}"
        memo = f"Depreciation of {asset.instrument.asset_tag}, {written_day(month, 'month')}"
        entry = _post(due, entry_on=entry_on, source=source, memo=memo, acting_user=acting_user, now=now)
        _write(month, entry, asset.pk)


def _last_day(month: datetime.date) -> datetime.date:
    return ledger.month_after(month) - datetime.timedelta(days=1)


def _check_order(month: datetime.date, today: datetime.date) -> None:
    following = queries.next_month(today)
    if following is None:
        raise FleetNotBookedError
    last = queries.last_month_done()
    if last is not None and month <= last:
        raise MonthDepreciatedError(last)
    open_from = ledger.open_from()
    if open_from is not None and month < open_from:
        raise ledger.MonthClosedError(open_from)
    if month != following:
        raise MonthSkippedError(following)
    if today < ledger.month_after(month):
        raise DepreciationAheadError(month)


def _write(month: datetime.date, entry: JournalEntry, asset_id: int | None = None) -> None:
    with connection.cursor() as cursor:
        cursor.execute(WRITE, {**queries.due_by(month, asset_id), "entry": entry.pk})


def _post(
    due: queries.Due, *, entry_on: datetime.date, source: str, memo: str, acting_user: User, now: datetime.datetime
) -> JournalEntry:
    return ledger.post_entry(
        entry_on=entry_on,
        kind=JournalEntry.Kind.DEPRECIATION,
        memo=memo,
        source=source,
        postings=[
            ledger.Line(chart.DEPRECIATION, due.amount - due.opening),
            ledger.Line(chart.OPENING, due.opening),
            ledger.Line(chart.DEPRECIATED, -due.amount),
        ],
        acting_user=acting_user,
        now=now,
    )

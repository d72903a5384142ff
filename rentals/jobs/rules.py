"""When a job of the day is due, by the office's own clock. Pure: no database, no clock."""

import datetime

MOST_DAYS = 35
"""So many missed nights are caught up one by one; before that, somebody has to look at what happened anyway."""


def moment_of(on: datetime.date, at: datetime.time, zone: datetime.tzinfo) -> datetime.datetime:
    """Return the instant, in UTC, at which the clock on the wall shows `at` on that day.

    Twice shown (clocks set back), the first time counts. Never shown (clocks set forward), it is as long after the change as it
    would have been: PEP 495, a time in a gap read with fold 0 keeps the offset from before the change.

    >>> from zoneinfo import ZoneInfo
    >>> moment_of(datetime.date(2026, 3, 8), datetime.time(2, 10), ZoneInfo("America/Chicago")).isoformat()
    '2026-03-08T08:10:00+00:00'
    >>> moment_of(datetime.date(2026, 11, 1), datetime.time(1, 30), ZoneInfo("America/Chicago")).isoformat()
    '2026-11-01T06:30:00+00:00'
    """
    return datetime.datetime.combine(on, at, tzinfo=zone).astimezone(datetime.UTC)


def days_due(
    *, at: datetime.time, after: datetime.date, now: datetime.datetime, zone: datetime.tzinfo, each_day: bool
) -> list[datetime.date]:
    """List the days after `after` whose time has come, the earliest first; only the last of them unless `each_day`.

    >>> from zoneinfo import ZoneInfo
    >>> noon = datetime.datetime(2026, 11, 24, 18, tzinfo=datetime.UTC)
    >>> told = {"at": datetime.time(2, 10), "now": noon, "zone": ZoneInfo("America/Chicago")}
    >>> [day.day for day in days_due(after=datetime.date(2026, 11, 21), each_day=True, **told)]
    [22, 23, 24]
    >>> [day.day for day in days_due(after=datetime.date(2026, 11, 21), each_day=False, **told)]
    [24]
    """
    last = now.astimezone(zone).date()
    if moment_of(last, at, zone) > now:
        last -= datetime.timedelta(days=1)
    if last <= after:
        return []
    if not each_day:
        return [last]
    first = max(after + datetime.timedelta(days=1), last - datetime.timedelta(days=MOST_DAYS - 1))
    return [first + datetime.timedelta(days=more) for more in range((last - first).days + 1)]

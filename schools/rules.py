"""Pure rules of schools: on which day the van comes."""

import datetime
from collections.abc import Set as AbstractSet

LOOK_AHEAD = 366
"""So many days a school may be closed in a row before the van's day is taken as it falls."""


def next_van_day(
    *,
    weekday: int | None,
    wanted_from: datetime.date,
    today: datetime.date,
    closed: AbstractSet[datetime.date] = frozenset(),
) -> datetime.date:
    """Return the day on which the van takes something along: the school's next day from `wanted_from`, never before today.

    `weekday` counts from Monday (0), as `datetime.date.weekday` does; None for a school without a fixed day, which the van
    passes on whatever day it is wanted. On a day of `closed` the school has no school and the van goes by: it comes a week
    later, or a day later where no day is fixed.

    >>> next_van_day(weekday=1, wanted_from=datetime.date(2026, 11, 28), today=datetime.date(2026, 11, 20))
    datetime.date(2026, 12, 1)
    >>> shut = {datetime.date(2026, 12, 1)}
    >>> next_van_day(weekday=1, wanted_from=datetime.date(2026, 11, 28), today=datetime.date(2026, 11, 20), closed=shut)
    datetime.date(2026, 12, 8)
    """
    first = max(wanted_from, today)
    usual = first if weekday is None else first + datetime.timedelta(days=(weekday - first.weekday()) % 7)
    step = 1 if weekday is None else 7
    ahead = (usual + datetime.timedelta(days=days) for days in range(0, LOOK_AHEAD, step))
    return next((day for day in ahead if day not in closed), usual)

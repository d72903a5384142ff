"""Pure rules of schools: on which day the van comes."""

import datetime


def next_van_day(*, weekday: int | None, wanted_from: datetime.date, today: datetime.date) -> datetime.date:
    """Return the day on which the van takes something along: the school's next day from `wanted_from`, never before today.

    `weekday` counts from Monday (0), as `datetime.date.weekday` does; None for a school without a fixed day, which the van
    passes on whatever day it is wanted.

    >>> next_van_day(weekday=1, wanted_from=datetime.date(2026, 11, 28), today=datetime.date(2026, 11, 20))
    datetime.date(2026, 12, 1)
    """
    first = max(wanted_from, today)
    return first if weekday is None else first + datetime.timedelta(days=(weekday - first.weekday()) % 7)

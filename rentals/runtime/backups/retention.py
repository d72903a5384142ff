"""Which archives stay: a pure rule over the moments they were made."""

import datetime
import zoneinfo
from collections.abc import Iterable

RECENT = datetime.timedelta(hours=48)
DAYS, MONTHS = 14, 12


def to_keep(
    made: Iterable[datetime.datetime], *, now: datetime.datetime, zone: zoneinfo.ZoneInfo, days: int = DAYS, months: int = MONTHS
) -> set[datetime.datetime]:
    """Return the moments whose archives stay. Days and months are the office's own.

    All of the last 48 hours (somebody may have made one before something risky), the last of each of the newest `days` days
    that have any, and the last of each of the newest `months` months. Months in which nothing was made cost nothing: the rule
    counts archives, not time, so that an office that was closed loses none.
    """
    moments = sorted(set(made), reverse=True)
    kept = {moment for moment in moments if moment > now - RECENT}
    for form, count in (("%Y-%m-%d", days), ("%Y-%m", months)):
        last_of: dict[str, datetime.datetime] = {}
        for moment in moments:
            last_of.setdefault(moment.astimezone(zone).strftime(form), moment)
        kept |= set(list(last_of.values())[:count])
    return kept

"""The stretches of time that figures are told for: a season, a calendar year, everything. They stand in the address."""

import datetime
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass

from django.conf import settings

SEASON_MONTH = 7
"""A season begins on July 1 and ends on June 30: the school year, sign-up nights in front (common practice, no source)."""


@dataclass(frozen=True)
class Span:
    """From a day on, until another (exclusive); `code` is how it stands in an address."""

    code: str
    label: str
    from_on: datetime.date
    until_on: datetime.date

    @property
    def last_on(self) -> datetime.date:
        """Its last day."""
        return self.until_on - datetime.timedelta(days=1)


def season(year: int) -> Span:
    """Return the season that begins in July of a year.

    >>> season(2025).label, season(2025).until_on
    ('Season 2025/26', datetime.date(2026, 7, 1))
    """
    first, after = datetime.date(year, SEASON_MONTH, 1), datetime.date(year + 1, SEASON_MONTH, 1)
    return Span(f"season-{year}", f"Season {year}/{(year + 1) % 100:02d}", first, after)


def season_year(day: datetime.date) -> int:
    """Return the year in which the season of a day began.

    >>> season_year(datetime.date(2026, 6, 30)), season_year(datetime.date(2026, 7, 1))
    (2025, 2026)
    """
    return day.year if day.month >= SEASON_MONTH else day.year - 1


def list_spans(first: datetime.date, today: datetime.date) -> list[Span]:
    """List what can be chosen from a first day on: seasons, then years, the newest first, then everything."""
    first = min(first, today)
    seasons = [season(year) for year in range(season_year(today), season_year(first) - 1, -1)]
    years = [
        Span(f"year-{year}", f"Year {year}", datetime.date(year, 1, 1), datetime.date(year + 1, 1, 1))
        for year in range(today.year, first.year - 1, -1)
    ]
    everything = Span("all", "All time", first.replace(day=1), today + datetime.timedelta(days=1))
    return [*seasons, *years, everything]


def choose(code: str, spans: Sequence[Span]) -> Span:
    """Return the span of an address; the season that runs now where it names none.

    >>> choose("nonsense", list_spans(datetime.date(2026, 1, 1), datetime.date(2026, 9, 1))).code
    'season-2026'
    """
    return next((span for span in spans if span.code == code), spans[0])


def list_months(until_on: datetime.date, count: int) -> list[datetime.date]:
    """List the first days of so many months that end with the month of the day before `until_on`, and of the one after them.

    >>> list_months(datetime.date(2026, 3, 2), 2)
    [datetime.date(2026, 2, 1), datetime.date(2026, 3, 1), datetime.date(2026, 4, 1)]
    """
    last = (until_on - datetime.timedelta(days=1)).replace(day=1)
    place = last.year * 12 + last.month - 1
    return [datetime.date(at // 12, at % 12 + 1, 1) for at in range(place - count + 1, place + 2)]


def midnight(day: datetime.date) -> datetime.datetime:
    """Return the moment a day begins in the office's time zone."""
    return datetime.datetime.combine(day, datetime.time(), tzinfo=zoneinfo.ZoneInfo(settings.TIME_ZONE))

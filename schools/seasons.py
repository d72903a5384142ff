"""What signed up at programmes, season by season: beside what is expected, so that a person sees whether that is plausible.

A season begins with July (common practice, no source). A family's first agreement counts, on the programme it names; what
followed it does not, nor one that was voided: the same that an allotment counts.
"""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from schools.models import Programme

FIRST_MONTH = 7
SHOWN = 4
"""The season of today and the three before it."""


@dataclass(frozen=True)
class Season:
    """How many signed up in one season, in all and by kind (code); `label` like "2025/26"; `is_now`: it is not over yet."""

    label: str
    is_now: bool
    count: int
    by_kind: dict[str, int]


def season_of(day: datetime.date) -> int:
    """Return the year in which a day's season began.

    >>> season_of(datetime.date(2026, 6, 30)), season_of(datetime.date(2026, 7, 1))
    (2025, 2026)
    """
    return day.year if day.month >= FIRST_MONTH else day.year - 1


def write_season(year: int) -> str:
    """Write the season that began in a year.

    >>> write_season(2025), write_season(1999)
    ('2025/26', '1999/00')
    """
    return f"{year}/{(year + 1) % 100:02}"


def count_seasons(programmes: Iterable[Programme], *, today: datetime.date) -> dict[int, list[Season]]:
    """Return by programme its seasons, the one of today first; one query. A season without sign-ups is there with none."""
    wanted = [programme.pk for programme in programmes]
    now = season_of(today)
    years = list(range(now, now - SHOWN, -1))
    counts: dict[tuple[int, int], dict[str, int]] = {}
    for programme, kind_code, starts_on in _first_ones(wanted, datetime.date(years[-1], FIRST_MONTH, 1)):
        of_season = counts.setdefault((programme, season_of(starts_on)), {})
        of_season[kind_code] = of_season.get(kind_code, 0) + 1
    return {
        programme: [
            Season(write_season(year), year == now, sum((found := counts.get((programme, year), {})).values()), found)
            for year in years
        ]
        for programme in wanted
    }


def _first_ones(programmes: list[int], since: datetime.date) -> Any:
    """Return (programme, kind, first day) of first agreements since a day, by the name of the relation."""
    signed: Any = Programme._meta.get_field("agreements").related_model
    first = signed._default_manager.filter(programme__in=programmes, follows=None, starts_on__gte=since)
    kept = first.exclude(end_reason=signed.EndReason.VOIDED)
    return kept.values_list("programme", "item__kind", "starts_on")

"""Figures of the board: how long the van's stock lasts at the pace so far. Pure."""

import datetime
import math
from collections.abc import Sequence

ENOUGH = 2
"""Instruments of a kind that must be given before its pace says anything (common practice, no source)."""


def minutes_to_go(on: datetime.date, ends_at: datetime.time, now: datetime.datetime) -> int:
    """Return how many minutes the doors stay open; `now` by the shop's clock. 0 once they are closed."""
    end = datetime.datetime.combine(on, ends_at, tzinfo=now.tzinfo)
    return max(0, math.ceil((end - now).total_seconds() / 60))


def lasts_minutes(*, left: int, given: Sequence[datetime.datetime], now: datetime.datetime) -> int | None:
    """Return for how many minutes the rest lasts at the pace since the first was given; None while there is no pace.

    Four given in the sixty minutes since the first are one every fifteen: three left last 45 minutes.
    """
    if len(given) < ENOUGH:
        return None
    minutes = (now - min(given)).total_seconds() / 60
    return math.floor(left * minutes / len(given)) if minutes > 0 else 0

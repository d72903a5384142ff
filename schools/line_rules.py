"""How long a family will wait: pure figures, no database and no clock."""

import math
from collections.abc import Sequence
from statistics import median

ENOUGH = 3
"""Families that must be done before the line dares to say how long it takes; before, it says nothing."""

PUT_BACK_BEHIND = 2
"""How many families go first when somebody who was called is put back in line (common practice, no source)."""


def typical_minutes(seconds: Sequence[float]) -> float | None:
    """Return the median of how long families took, in minutes; None before `ENOUGH` of them are done."""
    return median(seconds) / 60 if len(seconds) >= ENOUGH else None


def expected_wait(*, ahead: int, desks: int, minutes: float | None) -> int | None:
    """Return in how many whole minutes, rounded up, a family is called that has `ahead` families before it.

    With all `desks` taken, somebody gets free every `minutes / desks` on average, and it takes `ahead + 1` of those: the mean of
    the wait, given the place in line, in a line with several servers (M/M/c, first come first served; any textbook of queueing
    theory, from memory). Four desks, twelve minutes a family, seven ahead: 24 minutes. None while nobody knows how long it takes.
    """
    return None if minutes is None else math.ceil(round((ahead + 1) * minutes / max(desks, 1), 6))

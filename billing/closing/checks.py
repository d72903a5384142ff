"""The checklist of a month's closing: each part of the office adds its own line here, by `@closing_check`.

A hard check forbids the closing. A soft one may be waived for the month, with a reason. The modules that add lines are loaded
when the application starts (`billing.apps`).
"""

import datetime
from collections.abc import Callable
from dataclasses import dataclass

from billing.closing.span import Month


@dataclass(frozen=True)
class Found:
    """What a check found: whether it holds, and what to know about it in a sentence."""

    holds: bool
    note: str = ""


Search = Callable[[Month, datetime.date], Found]
"""Given the month and the day it is today."""


@dataclass(frozen=True)
class ClosingCheck:
    """One line of the checklist. `mend` names the address where it is put right; `takes_month`: with the month in its query."""

    place: int
    code: str
    title: str
    is_hard: bool
    find: Search
    mend: str
    mend_label: str
    takes_month: bool = False


CHECKS: dict[str, ClosingCheck] = {}


def closing_check(
    place: int, code: str, title: str, *, mend: str, label: str, is_hard: bool = False, takes_month: bool = False
) -> Callable[[Search], Search]:
    """Add a line to the checklist. `place` orders it; a second one of the same code is a mistake."""

    def add(find: Search) -> Search:
        if code in CHECKS and CHECKS[code].find.__qualname__ != find.__qualname__:
            raise ValueError(f"two closing checks are called {code}")
        CHECKS[code] = ClosingCheck(place, code, title, is_hard, find, mend, label, takes_month)
        return find

    return add


def list_checks() -> list[ClosingCheck]:
    """List the checks in their order."""
    return sorted(CHECKS.values(), key=lambda check: (check.place, check.code))

"""Which step of an overdue episode falls due when. Pure; days are calendar days, counted from the oldest unpaid due date."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Generic, Protocol, TypeVar

MOST_STEPS = 12


class Step(Protocol):
    """What the rules need to know of a step; `OverdueStep` is one."""

    position: Any
    days: Any
    kind: Any
    wording: Any
    days_to_answer: Any


S = TypeVar("S", bound="Step")


@dataclass
class StepWanted:
    """A step as the manager typed it. `wording` is 1 friendly, 2 firm, 3 last, or None where nothing is written."""

    position: int
    days: int
    kind: str
    wording: int | None
    days_to_answer: int


DEFAULT = (
    StepWanted(1, 10, "mail", 1, 10),
    StepWanted(2, 25, "mail", 2, 10),
    StepWanted(3, 35, "call", None, 10),
    StepWanted(4, 45, "mail", 3, 10),
)
"""The steps before the manager sets others. Common practice, no source."""
DEFAULT_GRACE_DAYS = 3


def in_order(steps: Sequence[StepWanted]) -> list[StepWanted]:
    """Put steps in the order of their days and number them from 1."""
    ordered = sorted(steps, key=lambda step: (step.days, step.position))
    return [StepWanted(n, s.days, s.kind, s.wording, s.days_to_answer) for n, s in enumerate(ordered, start=1)]


def list_faults(steps: Sequence[StepWanted]) -> list[str]:
    """Say in sentences what does not hold for steps in their order; nothing when they may be set.

    >>> list_faults(in_order([StepWanted(1, 10, "mail", 2, 10)]))
    ['The first letter or mail, after 10 days, must be friendly: the firmer words say that you wrote before.']
    """
    if not steps:
        return ["Leave at least one step."]
    faults = [f"There are {len(steps)} steps; {MOST_STEPS} are the most."] if len(steps) > MOST_STEPS else []
    for before, step in pairwise(steps):
        if before.days == step.days:
            faults.append(f"Two steps fall due after {step.days} days. Give each its own day.")
        if before.kind == "recall":
            faults.append(f"After the recall is proposed, after {before.days} days, the manager decides: no step can follow it.")
    hardest = 0
    for step in (each for each in steps if each.wording is not None):
        if not hardest and step.wording != 1:
            faults.append(
                f"The first letter or mail, after {step.days} days, must be friendly: the firmer words say that you wrote before."
            )
        elif (step.wording or 0) < hardest:
            faults.append(f"The words after {step.days} days are gentler than those before. Steps cannot go backwards.")
        hardest = max(hardest, step.wording or 0)
    return faults


def answered_by(step: S, taken_on: datetime.date) -> datetime.date:
    """Return the day on which the time to answer has passed."""
    return taken_on + datetime.timedelta(days=step.days_to_answer)


def next_step(
    steps: Sequence[S], *, since: datetime.date, taken: int, last_on: datetime.date | None, today: datetime.date
) -> S | None:
    """Return the step due today after `taken` steps, the last on `last_on`; None: all taken, too early, or time to answer."""
    if taken >= len(steps) or (today - since).days < steps[taken].days:
        return None
    if taken and last_on is not None and answered_by(steps[taken - 1], last_on) > today:
        return None
    return steps[taken]


@dataclass(frozen=True)
class Foreseen(Generic[S]):
    """A step and the day it will be taken if nothing is paid and nobody is late to take it."""

    on: datetime.date
    step: S


def foresee(
    steps: Sequence[S], *, since: datetime.date, taken: int = 0, last_on: datetime.date | None = None
) -> list[Foreseen[S]]:
    """Return when each step still to come is taken, for what is unpaid since `since`."""
    found = []
    for step in steps[taken:]:
        on = since + datetime.timedelta(days=step.days)
        if step.position > 1 and last_on is not None:
            on = max(on, answered_by(steps[step.position - 2], last_on))
        found.append(Foreseen(on, step))
        last_on = on
    return found

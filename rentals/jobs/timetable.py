"""The timetable: which jobs there are and when each is due. A room puts its own on it in its `jobs.py`; nothing is known here.

A job of the day is a generator: every `yield` is a place where it may be stopped, killed, and taken up again from what stands
in the database. So it must be repeatable, and leave each of its parts committed. A round is short and comes every so often.
"""

import datetime
import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from django.db import InterfaceError, OperationalError

logger = logging.getLogger(__name__)

Item = TypeVar("Item")
GONE = (OperationalError, InterfaceError)
"""The database is away, or took its work back: nothing to do with what was being worked on."""


@dataclass(frozen=True)
class Step:
    """What a job tells while it goes: so many more `done`, so many of them `failed`; `total` once it is known.

    `said`: a sentence of how far it is, where that cannot be counted.
    """

    done: int = 0
    failed: int = 0
    total: int | None = None
    said: str = ""


@dataclass(frozen=True)
class Turn:
    """What a job of the day is told: the day it is for, in the office's own time, and the clock."""

    on: datetime.date
    now: Callable[[], datetime.datetime]


@dataclass(frozen=True)
class DayJob:
    """Something that is due once a day at `at` by the office's clock.

    `each_day`: whether nights that were missed are caught up one by one, in their order; otherwise the last one stands for all.
    `after`: jobs of the same day that must have ended before.
    `whole`: it cannot be carried on by another, so it is never put down on the way; it may take so long in one go, and is given
    up then. What it has half done when it is stopped it takes back itself (its generator is closed), or at its next beginning.
    """

    code: str
    title: str
    at: datetime.time
    work: Callable[[Turn], Iterator[Step]]
    each_day: bool = False
    after: tuple[str, ...] = ()
    whole: datetime.timedelta | None = None


@dataclass(frozen=True)
class Round:
    """Something short that comes every so often: it looks for rows that wait, and does or tells what they wait for."""

    code: str
    title: str
    every: datetime.timedelta
    work: Callable[[datetime.datetime], object]


DAY_JOBS: dict[str, DayJob] = {}
ROUNDS: dict[str, Round] = {}


class TwiceOnTheTimetableError(Exception):
    """Two jobs have one code."""


class UnknownJobError(KeyError):
    """No such job stands on the timetable."""


def day_job(
    code: str,
    title: str,
    *,
    at: datetime.time,
    each_day: bool = False,
    after: tuple[str, ...] = (),
    whole: datetime.timedelta | None = None,
) -> Callable[[Callable[[Turn], Iterator[Step]]], Callable[[Turn], Iterator[Step]]]:
    """Put a job of the day on the timetable. Raises TwiceOnTheTimetableError."""

    def enter(work: Callable[[Turn], Iterator[Step]]) -> Callable[[Turn], Iterator[Step]]:
        _refuse_twice(code)
        DAY_JOBS[code] = DayJob(code, title, at, work, each_day, after, whole)
        return work

    return enter


def round_job(
    code: str, title: str, *, seconds: int
) -> Callable[[Callable[[datetime.datetime], object]], Callable[[datetime.datetime], object]]:
    """Put a round on the timetable. Raises TwiceOnTheTimetableError."""

    def enter(work: Callable[[datetime.datetime], object]) -> Callable[[datetime.datetime], object]:
        _refuse_twice(code)
        ROUNDS[code] = Round(code, title, datetime.timedelta(seconds=seconds), work)
        return work

    return enter


def one_by_one(items: Sequence[Item], act: Callable[[Item], object]) -> Iterator[Step]:
    """Do one thing for each item, each committed by itself. One that fails is logged and counted; the others have their turn.

    What failed makes the run be tried again, which finds only what is left.
    """
    yield Step(total=len(items))
    for item in items:
        try:
            act(item)
        except GONE:
            raise
        except Exception:
            logger.exception("one of %s could not be done", len(items))
            yield Step(failed=1)
        else:
            yield Step(done=1)


def get_day_job(code: str) -> DayJob:
    """Return the job of the day of this code. Raises UnknownJobError."""
    try:
        return DAY_JOBS[code]
    except KeyError:
        raise UnknownJobError(code) from None


def list_day_jobs() -> list[DayJob]:
    """List the jobs of the day in the order of the clock."""
    return sorted(DAY_JOBS.values(), key=lambda job: (job.at, job.code))


def _refuse_twice(code: str) -> None:
    if code in DAY_JOBS or code in ROUNDS:
        raise TwiceOnTheTimetableError(code)

"""A timetable of a test's own, in place of the office's."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import time
from typing import Any
from unittest import mock

from rentals.jobs import timetable
from rentals.jobs.timetable import DayJob, Round


@contextmanager
def only(*entries: DayJob | Round) -> Iterator[None]:
    """Let these alone be on the timetable."""
    days = {each.code: each for each in entries if isinstance(each, DayJob)}
    rounds = {each.code: each for each in entries if isinstance(each, Round)}
    with mock.patch.dict(timetable.DAY_JOBS, days, clear=True), mock.patch.dict(timetable.ROUNDS, rounds, clear=True):
        yield


def nightly(work: Any, *, code: str = "try/it", at: time = time(2, 10), **more: Any) -> DayJob:
    """A job of the day at ten past two."""
    return DayJob(code, "Try it", at, work, **more)

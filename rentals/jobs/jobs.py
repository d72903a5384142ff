"""The backup of the night: before anything else runs, so that what a bad night does can be undone. And this room's alarms."""

import datetime
from collections.abc import Iterator
from contextlib import closing
from datetime import time

from django.db import connection

from rentals.jobs import queries
from rentals.jobs.alarms import alarm
from rentals.jobs.timetable import Step, Turn, day_job
from rentals.jobs.working import JobCannotRunError
from rentals.runtime.backups import log_archive, nightly
from rentals.runtime.backups.errors import BackupBusyError, BackupError


@day_job("office/backup", "Back the office up", at=time(1, 30), whole=nightly.AT_MOST)
def back_up(turn: Turn) -> Iterator[Step]:
    """Make one sealed archive and read it through. What keeps it from that is told to a person, with the button to try again."""
    try:
        with closing(nightly.backing_up(now=turn.now(), by_night=True)) as steps:
            for said in steps:
                yield Step(said=said)
    except BackupBusyError:
        raise
    except BackupError as error:
        raise JobCannotRunError(str(error)) from error
    yield Step(done=1)


@alarm
def log_is_not_archived(_now: datetime.datetime) -> str:
    """What keeps the database's log out of its archive."""
    with connection.cursor() as cursor:
        return log_archive.why_behind(cursor)


@alarm
def rounds_are_not_made(now: datetime.datetime) -> str:
    """Rounds that no worker makes, or that fail."""
    lines = queries.list_round_lines(now=now)
    if late := sum(line.is_late for line in lines):
        return f"{late} of {len(lines)} rounds were not made in their time: see that the worker and the clock (beat) run."
    failing = [line.title for line in lines if line.mark and line.mark.failures]
    return f"What fails again and again: {', '.join(failing)}." if failing else ""

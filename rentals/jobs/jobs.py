"""The backup of the night: before anything else runs, so that what a bad night does can be undone."""

from collections.abc import Iterator
from contextlib import closing
from datetime import time

from rentals.jobs.timetable import Step, Turn, day_job
from rentals.jobs.working import JobCannotRunError
from rentals.runtime.backups import nightly
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

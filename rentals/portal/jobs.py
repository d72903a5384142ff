"""Jobs of the doors from outside."""

from collections.abc import Iterator
from datetime import time

from rentals.jobs.timetable import Step, Turn, day_job
from rentals.portal import operations
from rentals.runtime import clock


@day_job("portal/purge_forms", "Purge forms from home", at=time(3, 40))
def purge_home_forms(turn: Turn) -> Iterator[Step]:
    """Delete forms from home that are no longer needed."""
    yield Step(done=operations.purge_home_forms(today=clock.today(), now=turn.now()))

"""Jobs of the fleet."""

from collections.abc import Iterator
from datetime import time

from rentals.inventory import operations
from rentals.jobs.timetable import Step, Turn, day_job
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user


@day_job("inventory/release_holds", "Release held instruments", at=time(0, 5))
def release_due_holds(turn: Turn) -> Iterator[Step]:
    """Let go the instruments whose hold ends today."""
    yield Step(done=operations.release_due_holds(acting_user=ensure_system_user(), now=turn.now(), today=clock.today()))

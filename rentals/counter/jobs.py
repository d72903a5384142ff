"""Jobs that put several rooms together."""

from collections.abc import Iterator
from datetime import time

from rentals.counter import cleanings
from rentals.counter.nights.intake import keeping
from rentals.jobs.timetable import Step, Turn, day_job, one_by_one
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user


@day_job("counter/cleaning_reminders", "Remind of cleanings", at=time(7, 30))
def remind_of_cleanings(turn: Turn) -> Iterator[Step]:
    """Remind families of the cleanings that are due, one by one."""
    today, system = clock.today(), ensure_system_user()
    yield from one_by_one(
        cleanings.list_reminders_due(today=today),
        lambda due: cleanings.remind(due=due, today=today, now=turn.now(), acting_user=system),
    )


@day_job("nights/purge_discarded", "Purge discarded sign-ups of nights", at=time(3, 30))
def purge_envelopes(turn: Turn) -> Iterator[Step]:
    """Forget what stood in sign-ups of a night that were discarded long enough ago."""
    yield Step(done=keeping.purge_envelopes(now=turn.now()))

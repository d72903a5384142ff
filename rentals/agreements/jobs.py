"""Jobs of the terms."""

from collections.abc import Iterator
from datetime import time

from rentals.agreements import drafts
from rentals.jobs.timetable import Step, Turn, day_job


@day_job("agreements/purge_drafts", "Purge sign-ups nobody came back to", at=time(3, 20))
def purge_sign_up_drafts(turn: Turn) -> Iterator[Step]:
    """Delete sign-ups nobody came back to."""
    yield Step(done=drafts.purge_drafts(now=turn.now()))

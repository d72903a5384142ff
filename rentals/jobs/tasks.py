"""What the clock and the broker call by name: ids only, each a few lines around an operation."""

from celery import shared_task

from rentals.jobs import ticking, working
from rentals.runtime import clock


@shared_task
def tick() -> None:
    """Enter what is due and tell workers of it."""
    ticking.tick(now=clock.now())


@shared_task
def work_on(*, run_id: int) -> None:
    """Carry one run on."""
    working.work_on(run_id=run_id, now=clock.now)


@shared_task
def make_round(*, code: str) -> None:
    """Make one round."""
    working.make_round(code=code, now=clock.now)

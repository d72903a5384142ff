"""What workers are told by name: ids only; where a run stands is in the database, so any worker may take it up again."""

from celery import shared_task

from billing import runs
from billing.banking import certain
from rentals.runtime import clock


@shared_task
def continue_billing_run(*, run_id: int) -> None:
    """Bill what is left of a run; the heartbeat moves with every chunk."""
    while runs.continue_chunk(run_id, now=clock.now()):
        pass


@shared_task
def match_certain_lines(*, run_id: int) -> None:
    """Match by itself what is certain of the bank's open lines."""
    certain.continue_run(run_id, today=clock.today(), now=clock.now())

"""Jobs that put several rooms together."""

from celery import shared_task

from rentals.counter import cleanings
from rentals.counter.nights.intake import keeping
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user


@shared_task
def remind_of_cleanings() -> None:
    """Remind families of the cleanings that are due."""
    cleanings.remind_of_cleanings(today=clock.today(), now=clock.now(), acting_user=ensure_system_user())


@shared_task
def purge_envelopes() -> int:
    """Forget what stood in sign-ups of a night that were discarded long enough ago. Run nightly by beat."""
    return keeping.purge_envelopes(now=clock.now())

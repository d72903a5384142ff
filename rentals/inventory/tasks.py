"""Jobs of the fleet, each a few lines around an operation."""

from celery import shared_task

from rentals.inventory import operations
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user


@shared_task
def release_due_holds() -> None:
    """Let go the instruments whose hold ends today."""
    operations.release_due_holds(acting_user=ensure_system_user(), now=clock.now(), today=clock.today())

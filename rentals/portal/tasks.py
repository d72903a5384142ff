"""Jobs of this room: thin wrappers around its operations."""

from celery import shared_task

from rentals.portal import operations
from rentals.runtime import clock


@shared_task
def purge_home_forms() -> int:
    """Delete forms from home that are no longer needed. Run nightly by beat."""
    return operations.purge_home_forms(today=clock.today(), now=clock.now())

"""Jobs of this room: thin wrappers around its operations."""

from celery import shared_task

from rentals.agreements import drafts
from rentals.runtime import clock


@shared_task
def purge_sign_up_drafts() -> int:
    """Delete sign-ups nobody came back to. Run nightly by beat."""
    return drafts.purge_drafts(now=clock.now())

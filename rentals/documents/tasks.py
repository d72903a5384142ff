"""Celery carries ids; what is to be done stands in the database, so every task may come twice or not at all."""

from typing import Any

from celery import shared_task
from django.db import InterfaceError, OperationalError

from rentals.documents import operations, outbox
from rentals.runtime import clock

RETRY: dict[str, Any] = {
    "autoretry_for": (OperationalError, InterfaceError),
    "retry_backoff": True,
    "retry_backoff_max": 60,
    "max_retries": 5,
}
"""A database that is away for a moment; everything else is kept on the row and tried again from there."""


@shared_task(**RETRY)
def make_document(*, document_id: int) -> None:
    """Make one document."""
    operations.make_document(document_id=document_id, now=clock.now())


@shared_task(**RETRY)
def send_message(*, message_id: int) -> None:
    """Send one mail."""
    outbox.send_message(message_id=message_id, now=clock.now())

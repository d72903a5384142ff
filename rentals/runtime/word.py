"""Word to the workers after the commit. What must happen stands in the database already; a lost word costs time only."""

import logging

from celery import current_app
from django.db import transaction
from kombu.exceptions import OperationalError as BrokerAwayError

logger = logging.getLogger(__name__)


def send_word(task: str, **ids: int | str) -> None:
    """Have a worker run `task` with these ids, once the open transaction has committed.

    A broker that is away is no reason to fail: beat looks through the rows and sends word again.
    """

    def tell() -> None:
        try:
            current_app.send_task(task, kwargs=ids, retry=False)
        except (BrokerAwayError, OSError):
            logger.warning("no word sent for %s %s: the broker is away", task, ids)

    transaction.on_commit(tell)

"""Word to the workers after the commit. What must happen stands in the database already; a lost word costs time only."""

import datetime
import logging

from celery import current_app
from django.db import transaction
from kombu.exceptions import OperationalError as BrokerAwayError

logger = logging.getLogger(__name__)


def send_word(task: str, *, at_most: datetime.timedelta | None = None, **ids: int | str) -> None:
    """Have a worker run `task` with these ids, once the open transaction has committed; `at_most` in place of the usual limit.

    A broker that is away is no reason to fail: beat looks through the rows and sends word again.
    """

    limit = {"time_limit": at_most.total_seconds()} if at_most else {}

    def tell() -> None:
        try:
            current_app.send_task(task, kwargs=ids, retry=False, **limit)
        except (BrokerAwayError, OSError):
            logger.warning("no word sent for %s %s: the broker is away", task, ids)

    transaction.on_commit(tell)

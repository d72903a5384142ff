"""Rounds of documents and the outbox: what was told and lost on the way is found in the rows."""

import datetime

from rentals.documents import operations, outbox
from rentals.jobs.timetable import round_job
from rentals.runtime import clock


@round_job("documents/take_up_waiting", "Take up documents that wait", seconds=60)
def take_up_waiting_documents(now: datetime.datetime) -> None:
    """Send word again for documents that wait too long."""
    operations.take_up_waiting_documents(now=now)


@round_job("outbox/send_due", "Send mails that are due", seconds=60)
def send_due_messages(_: datetime.datetime) -> None:
    """Send the mails that are due, each under a claim with its own time."""
    for _message in range(100):
        if not outbox.send_due_messages(now=clock.now(), limit=1):
            break

"""Rounds of documents and the outbox: what was told and lost on the way is found in the rows."""

import datetime

from rentals.documents import operations, outbox
from rentals.jobs.timetable import round_job
from rentals.runtime import clock

ENOUGH = datetime.timedelta(minutes=2)
"""After so long a round leaves the rest to the next one: a mail server may take its time over each mail."""


@round_job("documents/take_up_waiting", "Take up documents that wait", seconds=60)
def take_up_waiting_documents(now: datetime.datetime) -> None:
    """Send word again for documents that wait too long."""
    operations.take_up_waiting_documents(now=now)


@round_job("outbox/send_due", "Send mails that are due", seconds=20)
def send_due_messages(began: datetime.datetime) -> None:
    """Send the mails that are due, each at its own time; so often, that what a worker left behind waits for seconds only."""
    for message_id in outbox.list_due(now=began):
        if (now := clock.now()) - began > ENOUGH:
            break
        outbox.send_message(message_id=message_id, now=now)

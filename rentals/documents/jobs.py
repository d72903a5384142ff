"""Rounds of documents and the outbox: what was told and lost on the way is found in the rows."""

import datetime

from rentals.documents import operations, outbox
from rentals.jobs.alarms import alarm
from rentals.jobs.timetable import round_job
from rentals.runtime import clock
from rentals.runtime.templatetags.office import moment

ENOUGH = datetime.timedelta(minutes=2)
"""After so long a round leaves the rest to the next one: a mail server may take its time over each mail."""
LATE = datetime.timedelta(minutes=5)
LYING = (
    "{count} {what} due since {since} and not done. If the number does not fall, see that the worker runs, that the mail server "
    "is reached, and that no disk is full."
)


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


@alarm
def mails_wait(now: datetime.datetime) -> str:
    """Mails that have been due for longer than five minutes: sent by nobody, or their document made by nobody."""
    count, since = outbox.count_overdue(now=now - LATE)
    return LYING.format(count=count, what="mail is" if count == 1 else "mails are", since=moment(since)) if count else ""


@alarm
def documents_wait(now: datetime.datetime) -> str:
    """Documents that have been due for longer than five minutes."""
    count, since = operations.count_overdue(now=now - LATE)
    return LYING.format(count=count, what="document is" if count == 1 else "documents are", since=moment(since)) if count else ""

"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime

from rentals.documents import operations, outbox
from tests.documents import samples

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def document_id() -> int:
    """An archived document."""
    made = operations.ask_for_document(
        key="example", kind="overdue", about="household/1", title="Example", page=samples.overdue(), now=NOW
    )
    operations.make_document(document_id=made.pk, now=NOW)
    return made.pk


def message_id() -> int:
    """A mail that waits."""
    return outbox.queue_message(
        key="example",
        kind="overdue",
        about="household/1",
        household=None,
        channel="mail",
        to_name="Maren Oldacre",
        to_address="maren@example.com",
        subject="Example",
        body="Example",
        now=NOW,
    ).pk


EXAMPLES = {"document_id": document_id, "message_id": message_id}

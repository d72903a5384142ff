"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime
import uuid

from rentals.documents import letters, operations, outbox
from rentals.documents.models import OutboxMessage
from tests.documents import samples
from tests.factories import UserFactory

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


def batch_id() -> int:
    """A letter on the printer."""
    document = document_id()
    mail = OutboxMessage.objects.filter(pk=message_id())
    mail.update(channel="letter", state="to_print", document=document)
    return letters.make_batch(
        message_ids=[mail.get().pk], request_key=uuid.uuid4(), acting_user=UserFactory(role="manager"), now=NOW
    ).pk


PAGES = ("batch", "batch_pdf", "batch_pdf_make", "batch_printed", "batch_dissolve")
EXAMPLES = {
    "document_id": document_id,
    "message_id": message_id,
    "letter": lambda: "cleaning",
    "language": lambda: "en",
    **{f"{page}.batch_id": batch_id for page in PAGES},
}

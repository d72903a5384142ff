"""Documents and mails through the office's own worker, against a real Valkey: also when the worker is killed at work."""

import email
import os
import signal
import time
from collections.abc import Callable
from decimal import Decimal
from email.message import Message
from pathlib import Path

from django.conf import settings
from django.db import transaction

from rentals.documents import operations, outbox
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.pages import KitLine
from rentals.runtime import clock
from tests.browser import Office
from tests.documents import samples


def wait_for(what: Callable[[], bool], seconds: float = 60) -> None:
    limit = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < limit, "it did not happen in time"
        time.sleep(0.1)


def ask(key: str, **changes) -> Document:
    with transaction.atomic():
        return operations.ask_for_document(
            key=key,
            kind="agreement",
            about="agreement/17",
            title="Rental agreement A-000017",
            page=samples.agreement(**changes),
            now=clock.now(),
        )


def children_of(process: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


def sent_mails(message_id: str) -> list[Message]:
    """Every mail with this Message-ID that the worker wrote to its folder."""
    folder = Path(os.environ["OFFICE_STATE_DIR"]) / "mail"
    mails = [email.message_from_bytes(file.read_bytes()) for file in folder.glob("*.log")]
    return [mail for mail in mails if mail["Message-ID"] == message_id]


class TestWorker:
    def test_makes_the_document_and_then_sends_its_mail_once(self, office: Office):
        assert settings.EMAIL_BACKEND.endswith("locmem.EmailBackend"), "in this process; the worker writes files"
        key = f"agreement/17/{time.time_ns()}"
        document = ask(key)
        message = outbox.queue_message(
            key=key,
            kind="agreement",
            about="agreement/17",
            household=None,
            channel="mail",
            to_name="Maren Oldacre",
            to_address="maren@example.com",
            subject="Your rental agreement",
            body="It is attached.",
            document=document,
            now=clock.now(),
        )
        wait_for(lambda: OutboxMessage.objects.get(pk=message.pk).state == "sent")
        made = Document.objects.get(pk=document.pk)
        (mail,) = sent_mails(outbox.message_id_of(key))
        (attached,) = [part for part in mail.walk() if part.get_content_type() == "application/pdf"]
        assert attached.get_payload(decode=True) == bytes(made.content)
        assert (made.attempts, OutboxMessage.objects.get(pk=message.pk).attempts) == (1, 1)

    def test_killed_at_work_the_document_is_made_by_the_next_attempt_and_once(self, office: Office):
        kit = tuple(KitLine(f"Reed {number}", 1, Decimal("2.50")) for number in range(500))
        document = ask("killed", kit=kit)
        wait_for(lambda: Document.objects.get(pk=document.pk).claimed_at is not None)
        for child in children_of(office.supervisor.running["worker"].process.pid):
            os.kill(child, signal.SIGKILL)
        left = Document.objects.get(pk=document.pk)
        assert (left.state, left.attempts, left.content) == ("waiting", 1, None)
        # The lease ended with the process; the round tells others of it once the row has been silent for a while.
        Document.objects.update(claimed_at=left.claimed_at - operations.SILENT)
        wait_for(lambda: bool(operations.take_up_waiting_documents(now=clock.now())))
        wait_for(lambda: Document.objects.get(pk=document.pk).state == "made", seconds=120)
        made = Document.objects.get(pk=document.pk)
        assert (made.attempts, made.last_error) == (2, "")
        assert bytes(made.content).startswith(b"%PDF-")

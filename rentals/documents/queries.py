"""Reads of documents and the outbox that screens and jobs share."""

from django.db.models import Count, Q, QuerySet

from rentals.documents.kinds import KINDS
from rentals.documents.models import Document, OutboxMessage, PrintBatch
from rentals.documents.pages import Letterhead
from rentals.staff.models import Office, User
from rentals.staff.policy import may

COMPLAINED = "complained"
"""Stands where a state stands, for mails that were called junk and that nobody has looked at since."""
UNSEEN = Q(complained_at__isnull=False, complaint_seen_at=None)


def get_letterhead() -> Letterhead:
    """Return the office as letters show it; an office not described yet has a name and nothing else."""
    office = Office.objects.first()
    if office is None:
        return Letterhead(name="Rental office", street="", city="", state="", postal_code="", phone="", email="")
    return Letterhead(
        name=office.name,
        street=office.street,
        city=office.city,
        state=office.state,
        postal_code=office.postal_code,
        phone=office.phone,
        email=office.email,
    )


def list_documents(*, about: str) -> QuerySet[Document]:
    """List the documents about a record ("agreement/1042"), newest first, without their bytes."""
    return Document.objects.filter(about=about).defer("content", "payload").order_by("-asked_at", "-id")


def list_visible_documents(*, user: User) -> QuerySet[Document]:
    """List the documents this person may open, by the capability of each kind; all others do not exist for them."""
    codes = [kind.code for kind in KINDS.values() if may(user, kind.capability)]
    return Document.objects.filter(kind__in=codes)


def list_messages(*, state: str = "", kind: str = "", text: str = "") -> QuerySet[OutboxMessage]:
    """List the outbox, newest first. `text` is looked for in the name, the address and the subject."""
    rows = OutboxMessage.objects.select_related("household", "document", "batch")
    rows = rows.defer("document__content", "document__payload", "body")
    if state == COMPLAINED:
        rows = rows.filter(UNSEEN)
    elif state:
        rows = rows.filter(state=state)
    if kind:
        rows = rows.filter(kind=kind)
    if text:
        rows = rows.filter(
            Q(to_name__icontains=text) | Q(to_address__icontains=text) | Q(subject__icontains=text) | Q(household__number=text)
        )
    return rows.order_by("-queued_at", "-id")


def list_letters_to_print() -> QuerySet[OutboxMessage]:
    """List the letters that are ready to be printed: those whose PDF is made, and that lie in no batch."""
    waiting = OutboxMessage.objects.filter(state=OutboxMessage.State.TO_PRINT, batch=None)
    return waiting.filter(document__state=Document.State.MADE).select_related("document")


def list_open_batches() -> QuerySet[PrintBatch]:
    """List the print batches that nobody has said came out well, oldest first."""
    return PrintBatch.objects.filter(state=PrintBatch.State.OPEN).select_related("made_by").order_by("number")


def list_ended_batches() -> QuerySet[PrintBatch]:
    """List the print batches that are over, newest first."""
    ended = PrintBatch.objects.exclude(state=PrintBatch.State.OPEN)
    return ended.select_related("made_by", "ended_by").order_by("-number")


def count_failed_mails() -> int:
    """Count the mails that were given up or came back."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.FAILED).count()


def count_complaints() -> int:
    """Count the mails that a family called junk and that nobody here has looked at since."""
    return OutboxMessage.objects.filter(UNSEEN).count()


def list_failed_documents(*, user: User) -> QuerySet[Document]:
    """List the documents that could not be made, of the kinds this person may open, newest first."""
    failed = list_visible_documents(user=user).filter(state=Document.State.FAILED)
    return failed.defer("content", "payload").order_by("-asked_at", "-id")


def count_failed() -> int:
    """Count what needs a person: mails given up, come back or called junk, and documents that could not be made."""
    mails = OutboxMessage.objects.filter(Q(state=OutboxMessage.State.FAILED) | UNSEEN).count()
    return mails + Document.objects.filter(state=Document.State.FAILED).count()


def count_messages_in_hand() -> tuple[int, int]:
    """Count what the outbox wants a person for, letters to print among it, and how many of these are mails that were given up,
    came back or were called junk; one query.
    """
    failed = Q(state=OutboxMessage.State.FAILED) | UNSEEN
    in_hand = OutboxMessage.objects.filter(Q(state=OutboxMessage.State.TO_PRINT) | failed)
    counts = in_hand.aggregate(all=Count("pk"), failed=Count("pk", filter=failed))
    return counts["all"], counts["failed"]


def count_letters_to_print() -> int:
    """Count the letters waiting for the printer, those in an open batch among them."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.TO_PRINT).count()


def count_letters_without_batch() -> int:
    """Count the letters waiting that lie in no batch, made or not."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.TO_PRINT, batch=None).count()

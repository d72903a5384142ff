"""Reads of documents and the outbox that screens and jobs share."""

from django.db.models import Q, QuerySet

from rentals.documents.kinds import KINDS
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.pages import Letterhead
from rentals.staff.models import Office, User
from rentals.staff.policy import may


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
    rows = OutboxMessage.objects.select_related("household", "document").defer("document__content", "document__payload", "body")
    if state:
        rows = rows.filter(state=state)
    if kind:
        rows = rows.filter(kind=kind)
    if text:
        rows = rows.filter(
            Q(to_name__icontains=text) | Q(to_address__icontains=text) | Q(subject__icontains=text) | Q(household__number=text)
        )
    return rows.order_by("-queued_at", "-id")


def list_letters_to_print() -> QuerySet[OutboxMessage]:
    """List the letters that are ready to be printed: those whose PDF is made."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.TO_PRINT, document__state=Document.State.MADE).select_related(
        "document"
    )


def count_failed_mails() -> int:
    """Count the mails that were given up."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.FAILED).count()


def list_failed_documents(*, user: User) -> QuerySet[Document]:
    """List the documents that could not be made, of the kinds this person may open, newest first."""
    failed = list_visible_documents(user=user).filter(state=Document.State.FAILED)
    return failed.defer("content", "payload").order_by("-asked_at", "-id")


def count_failed() -> int:
    """Count what needs a person: mails that were given up, and documents that could not be made."""
    return count_failed_mails() + Document.objects.filter(state=Document.State.FAILED).count()


def count_messages_in_hand() -> int:
    """Count what the outbox wants a person for: letters to print and mails that were given up; one query."""
    return OutboxMessage.objects.filter(state__in=[OutboxMessage.State.TO_PRINT, OutboxMessage.State.FAILED]).count()


def count_letters_to_print() -> int:
    """Count the letters waiting for the printer."""
    return OutboxMessage.objects.filter(state=OutboxMessage.State.TO_PRINT).count()

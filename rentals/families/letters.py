"""Writing to a household: by mail to its first guardian, or as a letter where no mail address is known."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rentals.documents import operations as documents
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import Addressee
from rentals.families.models import Guardian, Household
from rentals.staff.models import User


@dataclass(frozen=True)
class Receiver:
    """Who reads it: the guardian's name, the mail address ("" when there is none), and the postal address."""

    name: str
    email: str
    addressee: Addressee

    @property
    def channel(self) -> OutboxMessage.Channel:
        """How they are reached."""
        return OutboxMessage.Channel.MAIL if self.email else OutboxMessage.Channel.LETTER


@dataclass(frozen=True)
class Letter:
    """What is written: the document with its page, and the mail that carries it. `key` makes it go out once."""

    key: str
    kind: str
    about: str
    title: str
    page: Any
    subject: str
    body: str


def address_lines(household: Household) -> tuple[str, ...]:
    """Return the postal lines under the name: the unit at the end of the street line, two spaces before the ZIP code.

    USPS Publication 28, 211 to 213.
    """
    street = f"{household.street} {household.unit}".strip()
    return (street, f"{household.city} {household.state}  {household.postal_code}")


def receiver_of(household: Household, guardians: Iterable[Guardian] | None = None) -> Receiver:
    """Return who is written to: the first guardian, or the family by its name. Give `guardians` where they are at hand."""
    known = list(household.guardians.all() if guardians is None else guardians)
    first = min(known, key=lambda guardian: (not guardian.is_primary, guardian.pk), default=None)
    name = str(first) if first else household.name
    return Receiver(name, first.email if first else "", Addressee(name, address_lines(household), household.number))


def write_to_household(
    *, household: Household, receiver: Receiver, letter: Letter, acting_user: User, now: datetime.datetime
) -> OutboxMessage:
    """Ask for the letter's document and put the mail or the letter into the outbox. Part of the caller's transaction."""
    document = documents.ask_for_document(
        key=letter.key,
        kind=letter.kind,
        about=letter.about,
        title=letter.title,
        page=letter.page,
        language=household.language,
        now=now,
    )
    return documents.queue_message(
        key=letter.key,
        kind=letter.kind,
        about=letter.about,
        household=household,
        channel=receiver.channel,
        language=household.language,
        to_name=receiver.name,
        to_address=receiver.email or "\n".join(receiver.addressee.lines),
        subject=letter.subject,
        body=letter.body,
        document=document,
        acting_user=acting_user,
        now=now,
    )

"""Writing to a household: to its first guardian, in the way that guardian chose; as a letter where no mail reaches them."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rentals.documents import operations as documents
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import Addressee
from rentals.documents.quiet import QuietHours
from rentals.documents.reasons import is_courtesy
from rentals.documents.wording.operations import word_letter
from rentals.families.models import Guardian, Household
from rentals.staff.models import User
from rentals.staff.operations import SYSTEM_EMAIL

UNWANTED = "Not sent: the family asked for no reminders."


@dataclass(frozen=True)
class Receiver:
    """Who reads it: the guardian's name, the mail address ("" where it goes on paper), and the postal address."""

    name: str
    email: str
    addressee: Addressee
    guardian: Guardian | None = None
    is_unwanted: bool = False

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


def receiver_of(household: Household, guardians: Iterable[Guardian] | None = None, *, kind: str = "") -> Receiver:
    """Return who is written to: the first guardian, or the family by its name. Give `guardians` where they are at hand.

    `kind`: of what is written; for a courtesy the guardian's choice about reminders counts.
    """
    known = list(household.guardians.all() if guardians is None else guardians)
    first = min(known, key=lambda guardian: (not guardian.is_primary, guardian.pk), default=None)
    if first is None:
        return Receiver(household.name, "", Addressee(household.name, address_lines(household), household.number))
    return receiver_for(first, household, kind=kind)


def receiver_for(guardian: Guardian, household: Household, *, kind: str = "") -> Receiver:
    """Return this guardian as the receiver: by mail, unless paper was chosen or mail to the address comes back."""
    choice = guardian.reminders if is_courtesy(kind) else Guardian.Reminders.SAME
    on_paper = guardian.news_by == Guardian.NewsBy.LETTER or choice == Guardian.Reminders.LETTER or guardian.mail_failed_at
    return Receiver(
        name=str(guardian),
        email="" if on_paper else guardian.email,
        addressee=Addressee(str(guardian), address_lines(household), household.number),
        guardian=guardian,
        is_unwanted=choice == Guardian.Reminders.NONE,
    )


def quiet_hours(guardian: Guardian | None, acting_user: User | None) -> QuietHours | None:
    """Return when mail to this guardian waits: only what leaves by itself does; what a person sends goes at once."""
    by_itself = acting_user is not None and acting_user.email == SYSTEM_EMAIL
    if guardian is None or not by_itself or guardian.quiet_from is None or guardian.quiet_until is None:
        return None
    return QuietHours(guardian.quiet_from, guardian.quiet_until)


def worded_letter(*, code: str, household: Household, key: str, kind: str, about: str, title: str, page: Any) -> Letter:
    """Return a letter with the words in force for the household's language (`documents.wording`), filled from the page."""
    worded, texts = word_letter(code, household.language, page)
    return Letter(key, kind, about, title, worded, subject=texts.heading, body=texts.mail + "\n")


def write_to_household(
    *, household: Household, receiver: Receiver, letter: Letter, acting_user: User, now: datetime.datetime
) -> OutboxMessage:
    """Ask for the letter's document and put the mail or the letter into the outbox. Part of the caller's transaction.

    What the receiver wants none of becomes a row that says so, and no document.
    """
    document = None
    if not receiver.is_unwanted:
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
        guardian=receiver.guardian,
        quiet=quiet_hours(receiver.guardian, acting_user),
        unwanted=UNWANTED if receiver.is_unwanted else "",
        channel=OutboxMessage.Channel.MAIL if receiver.is_unwanted else receiver.channel,
        language=household.language,
        to_name=receiver.name,
        to_address=receiver.email or "\n".join(receiver.addressee.lines),
        subject=letter.subject,
        body=letter.body,
        document=document,
        acting_user=acting_user,
        now=now,
    )

"""The letter about a change: asked for inside the operation that made it true, mailed to the guardian or sent by post."""

from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

from django.utils import translation
from django.utils.translation import gettext as _

from rentals.agreements import paper
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.periods import PeriodToBill
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import AddendumPage, PriceLine
from rentals.documents.wording.written import as_places
from rentals.documents.words import in_language
from rentals.families.letters import receiver_for, worded_letter, write_to_household
from rentals.runtime.money import ZERO
from rentals.staff.models import User


@dataclass(frozen=True)
class Change:
    """What is told: a title, whole sentences, and what a period costs before and after where that changes.

    In English as it is signed; `in_english` is False where the office only tells, in the household's language. What the manager
    words (`letter_words`) has no sentences of its own but `places`.
    """

    title: str
    paragraphs: tuple[str, ...]
    before: tuple[PriceLine, ...] = ()
    after: tuple[PriceLine, ...] = ()
    kind: str = "addendum"
    in_english: bool = True
    places: dict[str, str] = field(default_factory=dict)


def price_lines(rent: Decimal, protection: Decimal) -> tuple[PriceLine, ...]:
    """Return what a period costs, before tax: rent, and protection where it is taken."""
    lines = (PriceLine(_("Rent"), rent),)
    return (*lines, PriceLine(_("Protection"), protection)) if protection > ZERO else lines


def lines_of(period: PeriodToBill) -> tuple[PriceLine, ...]:
    """Return what this period costs, before tax."""
    return price_lines(period.rent, period.protection)


def instrument_of(agreement: Agreement) -> str:
    """Name what is rented, as a letter does."""
    item = agreement.item
    size = f", {item.size}" if item.size else ""
    return f"{in_language(item.kind.name)}{size}, {item.maker} {item.model}"


def tell_family(
    *, agreement: Agreement, event: LifeEvent, change: Change, signer: str = "", acting_user: User, now: datetime
) -> OutboxMessage:
    """Ask for the letter about a change and put it into the outbox, for the guardian who signed the agreement."""
    household, guardian = agreement.household, agreement.guardian
    receiver = receiver_for(guardian, household)
    with translation.override(household.language):
        instrument = instrument_of(agreement)
    page = AddendumPage(
        title=change.title,
        number=agreement.number,
        addressee=receiver.addressee,
        made_at=now,
        student=str(agreement.student),
        instrument=instrument,
        paragraphs=change.paragraphs,
        before=change.before,
        after=change.after,
        signer=signer,
        taken_by=acting_user.name,
        in_english=change.in_english,
        places=as_places(change.places),
    )
    letter = worded_letter(
        code=change.kind,
        household=household,
        key=f"{paper.about(agreement)}/event/{event.pk}",
        kind=change.kind,
        about=paper.about(agreement),
        title=f"{agreement.number}: {change.title}",
        page=page,
    )
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)

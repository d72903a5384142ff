"""Moves that need the books beside the terms, each in one transaction: transfer, recall, void."""

from datetime import date, datetime
from decimal import Decimal

from django.db import transaction

from billing import charges
from billing import queries as billing
from billing.models import Charge
from rentals.agreements import life
from rentals.agreements.changes import holds, void
from rentals.agreements.changes import transfer as transfers
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.counter.life.page import first_free_period
from rentals.families.models import Guardian, Household
from rentals.inventory.models import Location
from rentals.runtime import locks
from rentals.staff.models import User


class NothingPastDueError(Exception):
    """Nothing is past due, so there is nothing to recall an instrument for."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"Nothing is past due on the account of {agreement.household.name}: there is no reason to recall.")


@transaction.atomic
def transfer_agreement(
    *, agreement: Agreement, guardian: Guardian, shown: str, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Bill what has begun to the household it was with, then let the other guardian go on from the first period after that.

    `shown` is the SHA-256 of the text the guardian was shown. Returns the line of the new agreement's timeline. Outermost.
    Raises what `changes.transfer.transfer_agreement` raises.
    """
    locks.lock_rows(Household.objects.filter(pk__in=[agreement.household_id, guardian.household_id]))
    done = life.find_answer(sent)
    if done is not None:
        return done
    life.lock_for(agreement=agreement, move=Move.TRANSFER, sent=sent)
    charges.bill_begun(agreement=agreement, through=today, acting_user=acting_user, now=now)
    to = transfers.Takeover(guardian, first_free_period(agreement, life.list_segments(agreement), today), shown)
    return transfers.transfer_agreement(agreement=agreement, to=to, sent=sent, acting_user=acting_user, now=now, today=today)


@transaction.atomic
def recall_agreement(
    *, agreement: Agreement, reason: str, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Recall an instrument for what is past due on the family's account today. Outermost.

    Raises NothingPastDueError and what `changes.holds.recall_agreement` raises.
    """
    locks.lock_rows(Household.objects.filter(pk=agreement.household_id))
    done = life.find_answer(sent)
    if done is not None:
        return done
    past_due = sum_past_due(agreement, today)
    if past_due <= 0:
        raise NothingPastDueError(agreement)
    return holds.recall_agreement(
        agreement=agreement, reason=reason, past_due=past_due, sent=sent, acting_user=acting_user, now=now, today=today
    )


@transaction.atomic
def void_agreement(
    *, agreement: Agreement, location: Location | None, reason: str, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """Void an agreement signed today and take its charges back; what was paid stays on the household's account. Outermost.

    Raises what `changes.void.void_agreement` and `charges.void_charge` raise.
    """
    event = void.void_agreement(
        agreement=agreement, location=location, reason=reason, sent=sent, acting_user=acting_user, now=now, today=today
    )
    for charge in list_charges(agreement):
        charges.void_charge(charge=charge, reason=f"{agreement.number} voided: {reason}", acting_user=acting_user, now=now)
    return event


def sum_past_due(agreement: Agreement, today: date) -> Decimal:
    """Return what the household of an agreement owes that fell due by today, on all its agreements together."""
    return billing.sum_open_lines(agreement.household_id, due_through=today)


def list_charges(agreement: Agreement) -> list[Charge]:
    """List the charges of an agreement that are in force."""
    return list(Charge.objects.filter(agreement=agreement, void_entry=None).order_by("pk"))

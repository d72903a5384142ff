"""Void of a mistake made today: an agreement that should not have been signed ends on its first day, as if it had not been."""

from datetime import date, datetime

from django.db import transaction
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from rentals.agreements import life, operations
from rentals.agreements.changes.paper import Change, tell_family
from rentals.agreements.changes.people import end_shares
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.inventory.models import Location
from rentals.runtime.templatetags.office import day as written
from rentals.staff.models import User


class NotSignedTodayError(Exception):
    """Only on the day it was signed can an agreement be voided."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(
            f"{agreement.number} was signed on {written(timezone.localdate(agreement.signed_at))}: only on that day could it be "
            "voided. Take the instrument back instead, and adjust what is owed."
        )


class TakesPlaceOfAnotherError(Exception):
    """An agreement that took the place of another cannot be voided: the other one has ended."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(
            f"{agreement.number} took the place of {agreement.follows}, which has ended and cannot be opened again. "
            "Exchange or transfer it once more, or take the instrument back."
        )


def find_hindrance(agreement: Agreement, today: date) -> NotSignedTodayError | TakesPlaceOfAnotherError | None:
    """Return why an agreement cannot be voided on a day, whatever its state; None when it can."""
    if timezone.localdate(agreement.signed_at) != today:
        return NotSignedTodayError(agreement)
    return TakesPlaceOfAnotherError(agreement) if agreement.follows_id is not None else None


@transaction.atomic
def void_agreement(
    *, agreement: Agreement, location: Location | None, reason: str, sent: Sent, acting_user: User, now: datetime, today: date
) -> LifeEvent:
    """End an agreement signed today as voided, its instrument, if it had come, back at `location`; return the timeline's line.

    Its charges the flow takes back. Sent again, it gives the same answer.
    Raises NotSignedTodayError, TakesPlaceOfAnotherError, and what `life.lock_for` and `end_agreement` raise.
    """
    done = life.claim(agreement=agreement, move=Move.VOID, sent=sent, request={"reason": reason}, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.VOID, sent=sent)
    hindrance = find_hindrance(locked, today)
    if hindrance is not None:
        raise hindrance
    end_shares(locked, today)
    operations.end_agreement(
        agreement=locked,
        reason=Agreement.EndReason.VOIDED,
        ended_on=max(today, locked.starts_on),
        acting_user=acting_user,
        now=now,
        location=location,
    )
    event = life.note_event(agreement=locked, kind=LifeEvent.Kind.VOIDED, on=today, acting_user=acting_user, now=now, note=reason)
    with translation.override(locked.household.language):
        said = (
            _("The agreement was signed today by mistake and is void. You owe nothing for it."),
            _("What you paid is kept on your account; ask us if you would rather have it back."),
        )
        change = Change(_("The agreement is void"), said, in_english=False)
    tell_family(agreement=locked, event=event, change=change, acting_user=acting_user, now=now)
    return life.keep(sent=sent, event=event)

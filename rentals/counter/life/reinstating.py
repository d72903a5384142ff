"""Taking up again an agreement that was returned or written off, at the terms as signed. One transaction."""

import dataclasses
import datetime
from dataclasses import dataclass
from decimal import Decimal
from uuid import uuid5

from django.db import transaction

from billing import queries
from rentals.agreements import life, rules, wording
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.agreements.operations import SignatureGiven, SignUp
from rentals.agreements.periods import first_segments
from rentals.agreements.quotes import Quote
from rentals.counter.life.exchanging import UNKEYED, UNSIGNED, bill_from_today, keep_both
from rentals.inventory import queries as inventory
from rentals.inventory.models import Instrument
from rentals.runtime.templatetags.office import day, money
from rentals.staff.models import User
from rentals.staff.policy import may, require


class TooLateError(Exception):
    """The credit has ended: there is nothing left to take up again."""

    def __init__(self, agreement: Agreement, until: datetime.date) -> None:
        self.until = until
        super().__init__(f"{agreement.number} could be taken up again until {day(until)}. Sign the family up anew.")


class TakenUpAlreadyError(Exception):
    """Another agreement follows it already."""

    def __init__(self, agreement: Agreement, following: Agreement) -> None:
        self.following = following
        super().__init__(f"{agreement.number} was taken up again already: it goes on as {following.number}.")


class StillOwingError(Exception):
    """The family must pay what was due first, unless a manager agrees to less."""

    def __init__(self, owed: Decimal) -> None:
        self.owed = owed
        super().__init__(
            f"The family still owes {money(owed)} from before. Take that payment first; a manager can agree to less."
        )


class NotLikeItError(Exception):
    """It is taken up again with the same instrument or one like it."""

    def __init__(self, agreement: Agreement, wanted: Instrument) -> None:
        self.wanted = wanted
        super().__init__(
            f"{wanted.asset_tag} is not like the instrument of {agreement.number} ({agreement.item}): "
            "take one of the same kind, size and tier. For another one, exchange it afterwards."
        )


@dataclass(frozen=True)
class TakeUp:
    """With which instrument, with or without protection, and how the guardian signed the text that was shown."""

    instrument: Instrument
    protection: bool
    signature: SignatureGiven = UNSIGNED
    shown: Decimal | None = None
    shown_sha256: str = ""


@dataclass(frozen=True)
class TakeUpTold:
    """What a reinstatement comes to: the quote and text at the terms as signed, the credit it keeps, what is owed from before."""

    quote: Quote
    sections: tuple[wording.Section, ...]
    sha256: str
    credit: Decimal
    owed: Decimal
    until: datetime.date


def last_day(agreement: Agreement) -> datetime.date:
    """Return the last day an ended agreement can be taken up again."""
    assert agreement.ended_on is not None
    return rules.credit_lives_until(agreement.ended_on, agreement.plan_version.credit_lives_months)


def list_like_it(agreement: Agreement, limit: int = 12) -> list[Instrument]:
    """List instruments on a shelf like the one that was rented, that very one first."""
    item = agreement.item
    own = set(agreement.units.filter(role="rented").values_list("instrument_id", flat=True))
    found = list(inventory.find_available(item.kind_id, item.size, item.tier))
    return sorted(found, key=lambda each: each.pk not in own)[:limit]


def signup_for(agreement: Agreement, wanted: TakeUp, today: datetime.date, *, key: life.Sent | None = None) -> SignUp:
    """Return the sign-up at the terms as signed, billing plain months from today. Raises what `check` raises."""
    check(agreement, wanted.instrument, today)
    plain = SignUp(
        request_key=uuid5(key.request_key, "sign") if key else uuid5(UNKEYED, str(agreement.pk)),
        household=agreement.household,
        guardian=agreement.guardian,
        student=agreement.student,
        programme=agreement.programme,
        instrument=wanted.instrument,
        plan_version=agreement.plan_version,
        protection=wanted.protection,
        goods=(),
        received_at=Agreement.ReceivedAt.COUNTER,
        starts_on=today,
        signature=wanted.signature,
        shown_sha256=wanted.shown_sha256,
        follows=agreement,
        follows_by=Agreement.FollowsBy.REINSTATEMENT,
        prices_as_signed=True,
    )
    prices = agreements.quote_for(plain, wanted.instrument).prices
    months = first_segments(
        starts_on=today,
        rent=prices.monthly_rent,
        protection=prices.monthly_protection,
        due_day=agreement.plan_version.due_day,
    )
    return dataclasses.replace(plain, continues=months)


def check(agreement: Agreement, wanted: Instrument, today: datetime.date) -> None:
    """Raise TakenUpAlreadyError, TooLateError or NotLikeItError unless the agreement can be taken up again so on a day."""
    following = Agreement.objects.filter(follows=agreement).first()
    if following is not None:
        raise TakenUpAlreadyError(agreement, following)
    until = last_day(agreement)
    if today > until:
        raise TooLateError(agreement, until)
    item, other = agreement.item, wanted.item
    if (item.kind_id, item.size, item.tier) != (other.kind_id, other.size, other.tier):
        raise NotLikeItError(agreement, wanted)


def preview_take_up(agreement: Agreement, wanted: TakeUp, *, today: datetime.date) -> TakeUpTold:
    """Return what taking it up again would come to, with the text to be signed. Raises what `check` raises."""
    agreements.check_available(wanted.instrument)
    signup = signup_for(agreement, wanted, today)
    quote = agreements.quote_for(signup, wanted.instrument)
    sections = wording.agreement_sections(quote, agreements.parties_of(signup, wanted.instrument))
    credit = queries.sum_rental_credit(agreement.pk, on=today).credit
    owed = queries.sum_open_lines(agreement.household_id, due_through=today)
    return TakeUpTold(quote, sections, wording.sha256_of(sections), credit, owed, last_day(agreement))


@transaction.atomic
def reinstate(
    *,
    agreement: Agreement,
    wanted: TakeUp,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Take an agreement up again: a new one follows it at the terms as signed, keeps its credit, and bills from today.

    What was due from before is paid first, unless a manager goes on without. Returns the line of the new agreement's timeline.
    Raises TakenUpAlreadyError, TooLateError, NotLikeItError, StillOwingError, InstrumentNotAvailableError, TermsChangedError,
    AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.sign")
    request = {"instrument": wanted.instrument.pk, "protection": wanted.protection}
    done = life.claim(agreement=agreement, move=Move.REINSTATE, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.REINSTATE, sent=sent)
    signup = signup_for(locked, wanted, today, key=sent)
    owed = queries.sum_open_lines(locked.household_id, due_through=today)
    if owed > 0 and not may(acting_user, "agreements.defer_payment"):
        raise StillOwingError(owed)
    following = agreements.sign_agreement(signup=signup, acting_user=acting_user, now=now, today=today)
    bill_from_today(following, acting_user=acting_user, now=now, today=today)
    return keep_both(locked, following, kind=LifeEvent.Kind.REINSTATED, sent=sent, acting_user=acting_user, now=now, today=today)

"""Exchanging for another kind and sizing up: the next agreement goes on where the last bill ends. One transaction each."""

import dataclasses
import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from django.db import transaction
from django.db.models import Count, QuerySet

from billing import charges, queries
from billing.models import Charge
from rentals.agreements import life, periods, wording
from rentals.agreements import operations as agreements
from rentals.agreements import queries as terms
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.agreements.operations import SignatureGiven, SignUp
from rentals.agreements.quotes import Quote
from rentals.counter.life import ends
from rentals.counter.life.page import first_free_period
from rentals.inventory import queries as inventory
from rentals.inventory.models import Instrument, InstrumentKind
from rentals.inventory.rules import list_larger_sizes
from rentals.staff.models import User
from rentals.staff.policy import require

FOLLOWS_BY: dict[Move, str] = {
    Move.EXCHANGE: Agreement.FollowsBy.EXCHANGE,
    Move.SIZE_UP: Agreement.FollowsBy.SIZE_UP,
    Move.REINSTATE: Agreement.FollowsBy.REINSTATEMENT,
}
UNKEYED = UUID(int=0)
UNSIGNED = SignatureGiven(signer_name="", method="typed", consent_wording="")


class NotALargerOneError(Exception):
    """A size-up leads to a larger instrument of the same kind."""

    def __init__(self, agreement: Agreement, wanted: Instrument) -> None:
        self.wanted = wanted
        item, other = agreement.item, wanted.item
        super().__init__(
            f"{wanted.asset_tag} is a {other.kind.name.lower()}{f' {other.size}' if other.size else ''}: a size-up leads to a "
            f"{item.kind.name.lower()} larger than {item.size or 'the rented one'}. For anything else, exchange it."
        )


@dataclass(frozen=True)
class Swap:
    """What is taken instead, with or without protection, how the old one came back, and how the guardian signed.

    No `condition` where the family had none yet: it takes another model than the one it was promised.
    `shown` is what the family was told it comes to now, `shown_sha256` the fingerprint of the text it was shown.
    """

    move: Move
    instrument: Instrument
    protection: bool
    condition: ends.Condition | None
    signature: SignatureGiven = UNSIGNED
    shown: Decimal | None = None
    shown_sha256: str = ""


@dataclass(frozen=True)
class SwapTold:
    """What an exchange comes to: what is billed now, the quote and text of the next agreement, and the credit that goes along."""

    outcome: ends.Outcome
    quote: Quote
    sections: tuple[wording.Section, ...]
    sha256: str
    credit: Decimal
    first_bill_on: datetime.date


def list_larger(agreement: Agreement, limit: int = 12) -> list[Instrument]:
    """List instruments of the kind on a shelf that are larger than the rented one, the next size first."""
    larger = list_larger_sizes(agreement.item.kind_id, agreement.item.size)
    if not larger:
        return []
    found = [each for each in inventory.find_available(agreement.item.kind_id) if each.item.size in larger]
    return sorted(found, key=lambda each: larger.index(each.item.size))[:limit]


def list_kinds() -> QuerySet[InstrumentKind]:
    """List the kinds with something to be had on a shelf, in the order of a score, each with how many (`on_shelf`)."""
    offered = InstrumentKind.objects.filter(items__instruments__in=inventory.list_available())
    return offered.annotate(on_shelf=Count("items__instruments", distinct=True)).order_by("order", "name")


def signup_for(agreement: Agreement, swap: Swap, today: datetime.date, *, key: life.Sent | None = None) -> SignUp:
    """Return the sign-up of the next agreement, at today's rate card, going on from the first period that is not billed.

    Raises NotALargerOneError, NoRateError, NoTaxAreaError.
    """
    if swap.move == Move.SIZE_UP and swap.instrument.item.size not in _larger_sizes(agreement, swap.instrument):
        raise NotALargerOneError(agreement, swap.instrument)
    plain = SignUp(
        request_key=uuid5(key.request_key, "sign") if key else uuid5(UNKEYED, str(agreement.pk)),
        household=agreement.household,
        guardian=agreement.guardian,
        student=agreement.student,
        programme=agreement.programme,
        instrument=swap.instrument,
        plan_version=terms.get_current_plan_version(agreement.plan_version.plan_id),
        protection=swap.protection,
        goods=(),
        received_at=Agreement.ReceivedAt.COUNTER,
        starts_on=today,
        signature=swap.signature,
        shown_sha256=swap.shown_sha256,
        follows=agreement,
        follows_by=FOLLOWS_BY[swap.move],
    )
    prices = agreements.quote_for(plain, swap.instrument).prices
    segments = life.list_segments(agreement)
    first = first_free_period(agreement, segments, today)
    goes_on = periods.continued(segments, first, prices.monthly_rent, prices.monthly_protection)
    return dataclasses.replace(plain, continues=goes_on)


def _larger_sizes(agreement: Agreement, wanted: Instrument) -> list[str]:
    item = agreement.item
    return list_larger_sizes(item.kind_id, item.size) if wanted.item.kind_id == item.kind_id else []


def _bill(agreement: Agreement, swap: Swap, acting_user: User, now: datetime.datetime, today: datetime.date) -> list[Charge]:
    """Bill what had begun before today and was not billed, and what is missing; what begins today the next agreement bills."""
    yesterday = today - datetime.timedelta(days=1)
    made = charges.bill_begun(agreement=agreement, through=yesterday, acting_user=acting_user, now=now)
    missing = swap.condition.missing if swap.condition else ()
    return made + ends.bill_missing(agreement=agreement, missing=missing, on=today, acting_user=acting_user, now=now)


def preview_swap(
    agreement: Agreement, swap: Swap, *, acting_user: User, now: datetime.datetime, today: datetime.date
) -> SwapTold:
    """Return what an exchange or size-up would come to, with the text to be signed, changing nothing.

    Raises what `signup_for` raises and InstrumentNotAvailableError.
    """
    agreements.check_available(swap.instrument)
    with ends.tried():
        made = _bill(agreement, swap, acting_user, now, today)
        signup = signup_for(agreement, swap, today)
        quote = agreements.quote_for(signup, swap.instrument)
        sections = wording.agreement_sections(quote, agreements.parties_of(signup, swap.instrument))
        return SwapTold(
            outcome=ends.describe(agreement.household_id, made),
            quote=quote,
            sections=sections,
            sha256=wording.sha256_of(sections),
            credit=queries.sum_rental_credit(agreement.pk).credit,
            first_bill_on=signup.continues[0].begins_on,
        )


@transaction.atomic
def swap_instrument(
    *,
    agreement: Agreement,
    swap: Swap,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Exchange the rented instrument for another, or size up: the old agreement ends, the next is signed and takes its credit.

    No day is billed twice: the next agreement bills from the first period that the old one has not billed. Returns the line of
    the new agreement's timeline. Raises NotALargerOneError, FiguresChangedError, InstrumentNotAvailableError, TermsChangedError,
    NoInstrumentOnItError, NoRateError, AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.sign")
    request = {"instrument": swap.instrument.pk, "protection": swap.protection, "shown": str(swap.shown)}
    done = life.claim(agreement=agreement, move=swap.move, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=swap.move, sent=sent)
    instrument = ends.lock_what_comes_back(locked, swap.instrument)
    made = _bill(locked, swap, acting_user, now, today)
    if swap.shown is not None and swap.shown != ends.describe(locked.household_id, made).total:
        raise ends.FiguresChangedError
    signup = signup_for(locked, swap, today, key=sent)
    if instrument is not None and swap.condition is not None:
        ends.take_in(agreement=locked, instrument=instrument, condition=swap.condition, acting_user=acting_user, now=now)
    following = agreements.exchange_agreement(
        agreement=locked,
        signup=signup,
        location=swap.condition.location if swap.condition else None,
        acting_user=acting_user,
        now=now,
        today=today,
    )
    bill_from_today(following, acting_user=acting_user, now=now, today=today)
    kind = LifeEvent.Kind.SIZED_UP if swap.move == Move.SIZE_UP else LifeEvent.Kind.EXCHANGED
    return keep_both(locked, following, kind=kind, sent=sent, acting_user=acting_user, now=now, today=today)


def bill_from_today(following: Agreement, *, acting_user: User, now: datetime.datetime, today: datetime.date) -> list[Charge]:
    """Bill the next agreement what it has begun already: its first period, when that begins today."""
    return charges.bill_begun(agreement=following, through=today, acting_user=acting_user, now=now)


def keep_both(
    old: Agreement,
    new: Agreement,
    *,
    kind: str,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Write a line into both timelines, and keep the new agreement's as the answer of the act."""
    note = f"{_unit_tag(old)} for {_unit_tag(new)}"
    facts: dict[str, Any] = {"kind": kind, "on": today, "acting_user": acting_user, "now": now}
    life.note_event(agreement=old, note=f"{note}, goes on as {new.number}", detail={"to": new.pk}, **facts)
    event = life.note_event(agreement=new, note=f"{note}, takes the place of {old.number}", detail={"from": old.pk}, **facts)
    return life.keep(sent=sent, event=event)


def _unit_tag(agreement: Agreement) -> str:
    unit = agreement.units.filter(role="rented").select_related("instrument").order_by("-began_at", "-pk").first()
    return unit.instrument.asset_tag if unit else f"The instrument {agreement.number} waited for"

"""Quoting the price to buy, buying the instrument in hand, and stepping up to a better one. Each move is one transaction."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction

from billing import charges, purchases
from billing.fleet import operations as books
from billing.models import PayoffQuote, Purchase
from rentals.agreements import life
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.counter.life import ends
from rentals.inventory import operations as fleet
from rentals.inventory import queries as inventory
from rentals.inventory.models import Custody, Instrument, Location
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day, money
from rentals.staff.models import User
from rentals.staff.policy import require


@dataclass(frozen=True)
class ToBuy:
    """What buying comes to: rent that is billed or taken back before, then the price, then parts missing of the old one."""

    price: purchases.PriceToBuy
    rent: ends.Outcome
    parts: ends.Outcome | None = None
    quote: PayoffQuote | None = None

    @property
    def sale(self) -> Decimal:
        """What the sale and the missing parts come to."""
        return self.price.sale + (self.parts.total if self.parts else ZERO)

    @property
    def total(self) -> Decimal:
        """The sale, the missing parts, and what is past due."""
        return self.sale + self.price.past_due


def preview_buy(
    agreement: Agreement, *, quote: PayoffQuote | None, acting_user: User, now: datetime.datetime, today: datetime.date
) -> ToBuy:
    """Return what buying the instrument in hand would come to now, changing nothing.

    Raises what the price raises: QuoteExpiredError, CreditNoLongerEarnedError, NoPriceToBuyError.
    """
    with ends.tried():
        rent = _settle(agreement, acting_user, now, today)
        return ToBuy(_price(agreement, quote, today), rent, quote=quote)


def _settle(agreement: Agreement, acting_user: User, now: datetime.datetime, today: datetime.date) -> ends.Outcome:
    done = charges.settle_rent(agreement=agreement, ended_on=today, acting_user=acting_user, now=now)
    return ends.describe(agreement.household_id, done.billed, done.voided)


def _price(agreement: Agreement, quote: PayoffQuote | None, today: datetime.date) -> purchases.PriceToBuy:
    if quote is None:
        return purchases.price_own(agreement, on=today)
    return purchases.price_quoted(agreement, quote, on=today)


@transaction.atomic
def quote_payoff(
    *,
    agreement: Agreement,
    valid_until: datetime.date,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Quote the price to buy, good through a day (inclusive), with its paper; return the line of the timeline.

    Raises QuoteValidTooLongError, NoPriceToBuyError, AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.buy")
    request = {"valid_until": valid_until.isoformat()}
    done = life.claim(agreement=agreement, move=Move.QUOTE_PAYOFF, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.QUOTE_PAYOFF, sent=sent)
    quote = purchases.quote_payoff(agreement=locked, valid_until=valid_until, today=today, acting_user=acting_user, now=now)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.PAYOFF_QUOTED,
        on=today,
        note=f"{money(quote.net + quote.tax + quote.past_due)} through {day(valid_until)}",
        detail={"quote": quote.pk},
        acting_user=acting_user,
        now=now,
    )
    return life.keep(sent=sent, event=event)


@dataclass(frozen=True)
class Terms:
    """What the family agreed to: the price it was shown (None takes what it is), the quote it holds, where a loaner came back."""

    shown: Decimal | None = None
    quote: PayoffQuote | None = None
    location: Location | None = None


@transaction.atomic
def buy(
    *,
    agreement: Agreement,
    terms: Terms,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Sell the instrument in hand to the family: it leaves the fleet, the agreement ends bought; return the timeline's line.

    Rent that had begun is billed first; one that begins today is owed no more. Raises PriceChangedError, QuoteExpiredError,
    CreditNoLongerEarnedError, NoPriceToBuyError, NoInstrumentOnItError, NoPlaceToReturnError when a loaner is out and nobody
    said where it came back, WorkOrderStillOpenError, AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.buy")
    request = {"quote": terms.quote and terms.quote.pk, "shown": str(terms.shown)}
    done = life.claim(agreement=agreement, move=Move.BUY, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.BUY, sent=sent)
    instrument = ends.lock_instrument(locked)
    _settle(locked, acting_user, now, today)
    price = _price(locked, terms.quote, today)
    _check_shown(terms.shown, price.sale)
    sold = purchases.record_purchase(
        agreement=locked, instrument=instrument, price=price, quote=terms.quote, today=today, acting_user=acting_user, now=now
    )
    agreements.end_agreement(
        agreement=locked,
        reason=Agreement.EndReason.BOUGHT,
        ended_on=today,
        location=terms.location,
        acting_user=acting_user,
        now=now,
    )
    remove_from_books(instrument=instrument, how="sold", on=today, acting_user=acting_user, now=now)
    return _keep(locked, sold, LifeEvent.Kind.BOUGHT, sent)


def preview_step_up(
    agreement: Agreement,
    better: Instrument,
    condition: ends.Condition,
    *,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> ToBuy:
    """Return what stepping up to an instrument would come to now, changing nothing. Raises NotABetterOneError, NoTaxAreaError."""
    with ends.tried():
        rent = _settle(agreement, acting_user, now, today)
        price = purchases.price_step_up(agreement, better, on=today)
        made = ends.bill_missing(agreement=agreement, missing=condition.missing, on=today, acting_user=acting_user, now=now)
        return ToBuy(price, rent, ends.describe(agreement.household_id, made))


def list_better(agreement: Agreement, limit: int = 12) -> list[Instrument]:
    """List instruments of the kind on a shelf that cost more than the rented one, the least expensive first."""
    found = inventory.find_available(agreement.item.kind_id)
    dearer = found.filter(item__purchase_price__gt=agreement.purchase_price.amount)
    return list(dearer.order_by("item__purchase_price", "asset_tag")[:limit])


@transaction.atomic
def step_up(
    *,
    agreement: Agreement,
    better: Instrument,
    condition: ends.Condition,
    shown: Decimal | None,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Sell a better instrument from the shelf with the step-up share of the credit; the rented one comes back.

    Raises NotABetterOneError, InstrumentNotAvailableError, PriceChangedError, NoInstrumentOnItError, AgreementMovedOnError,
    MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.buy")
    request = {"better": better.pk, "shown": str(shown), "grade": condition.grade}
    done = life.claim(agreement=agreement, move=Move.STEP_UP, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.STEP_UP, sent=sent)
    instrument = ends.lock_instrument(locked, better)
    agreements.check_available(better)
    _settle(locked, acting_user, now, today)
    price = purchases.price_step_up(locked, better, on=today)
    made = ends.bill_missing(agreement=locked, missing=condition.missing, on=today, acting_user=acting_user, now=now)
    _check_shown(shown, price.sale + ends.describe(locked.household_id, made).total)
    sold = purchases.record_purchase(
        agreement=locked, instrument=better, price=price, today=today, acting_user=acting_user, now=now
    )
    ends.take_in(agreement=locked, instrument=instrument, condition=condition, acting_user=acting_user, now=now)
    agreements.end_agreement(
        agreement=locked,
        reason=Agreement.EndReason.STEPPED_UP,
        ended_on=today,
        location=condition.location,
        acting_user=acting_user,
        now=now,
    )
    fleet.move_instrument(
        instrument=better, place=Custody.Place.SOLD, reason=f"Step-up from {locked.number}", acting_user=acting_user, now=now
    )
    remove_from_books(instrument=better, how="sold", on=today, acting_user=acting_user, now=now)
    return _keep(locked, sold, LifeEvent.Kind.STEPPED_UP, sent)


def remove_from_books(*, instrument: Instrument, how: str, on: datetime.date, acting_user: User, now: datetime.datetime) -> None:
    """Take an instrument that left the fleet out of the books at its book value, "sold" or "lost"."""
    books.remove_asset(instrument=instrument, on=on, how=how, acting_user=acting_user, now=now)


def _check_shown(shown: Decimal | None, current: Decimal) -> None:
    if shown is not None and shown != current:
        raise purchases.PriceChangedError(shown, current)


def _keep(agreement: Agreement, sold: Purchase, kind: str, sent: life.Sent) -> LifeEvent:
    event = life.note_event(
        agreement=agreement,
        kind=kind,
        on=sold.bought_on,
        note=f"{sold.instrument.asset_tag} for {money(sold.price)}, credit {money(sold.credit_used)}, "
        f"to pay {money(sold.net + sold.tax)}",
        detail={"purchase": sold.pk},
        acting_user=sold.made_by,
        now=sold.made_at,
    )
    return life.keep(sent=sent, event=event)

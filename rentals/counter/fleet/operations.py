"""Retired, lost, found again, sold and the sale undone: the instrument's place and the books change in one transaction."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction

from billing import payments
from billing.fleet import operations as books
from billing.fleet.operations import sales
from billing.models import FleetRemoval, FleetSale, Payment
from rentals.families.models import Household
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, Location
from rentals.inventory.operations.undoing import bring_back
from rentals.runtime import locks
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from rentals.staff.policy import require


class SalePriceChangedError(Exception):
    """Between showing and selling, what the sale comes to changed."""

    def __init__(self, total: Decimal) -> None:
        self.total = total
        super().__init__(f"With tax the sale comes to {money(total)} now. Look at it again, then sell.")


class NotLostError(Exception):
    """Only what is lost is written off where it is."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} is not among the lost ones: nothing was written off. Look where it is now.")


class NotInBooksError(Exception):
    """There is nothing to write off."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} is not in the books, or was written off already. Nothing is left to do.")


@dataclass(frozen=True)
class ToSell:
    """What is sold to whom and how it is paid. `household` or `buyer` in words; `method` "" leaves it on the family's account."""

    instrument: Instrument
    price: Decimal
    shown: Decimal
    household: Household | None
    buyer: str = ""
    method: str = ""
    cheque_number: str = ""


@dataclass(frozen=True)
class Sold:
    """A sale, and the payment taken with it, if any."""

    sale: FleetSale
    payment: Payment | None


@transaction.atomic
def sell_instrument(*, asked: ToSell, request_key: UUID, acting_user: User, now: datetime.datetime, today: datetime.date) -> Sold:
    """Sell an instrument outside an agreement: bill it with tax, take the payment, take it out of the fleet and the books.

    Sent again with the same key it returns the sale made before. Raises SalePriceChangedError, InstrumentOnAgreementError,
    InstrumentNotThereError, WorkOrderStillOpenError, ChequeNumberMissingError, TakingClosedError, MonthClosedError,
    RowsBusyError, PermissionDenied.
    """
    require(acting_user, "instruments.dispose")
    unit = asked.instrument
    request = {"instrument": unit.pk, "price": asked.price, "buyer": asked.buyer, "method": asked.method}
    request["household"] = asked.household.pk if asked.household else None
    done = claim_request(key=request_key, purpose="fleet_sale", request=request, acting_user=acting_user)
    if done is not None:
        return _sold_before(done)
    household = asked.household or sales.ensure_counter_household(acting_user=acting_user)
    locks.lock_rows(Household.objects.filter(pk=household.pk), Instrument.objects.filter(pk=unit.pk))
    sold_to = "at the counter" if asked.buyer else f"to {household.number}"
    fleet.move_by_hand(instrument=unit, place=Custody.Place.SOLD, reason=f"Sold {sold_to}", acting_user=acting_user, now=now)
    sale = sales.record_sale(
        instrument=unit,
        household=household,
        buyer=asked.buyer,
        price=asked.price,
        today=today,
        acting_user=acting_user,
        now=now,
    )
    total = sale.price + sale.tax
    if total != asked.shown:
        raise SalePriceChangedError(total)
    payment = _take_payment(asked, sale, acting_user, now) if asked.method else None
    keep_answer(key=request_key, answer={"sale": sale.pk, "payment": payment.pk if payment else None})
    return Sold(sale, payment)


def _take_payment(asked: ToSell, sale: FleetSale, acting_user: User, now: datetime.datetime) -> Payment:
    require(acting_user, "payments.take")
    given = payments.PaymentGiven(asked.method, sale.price + sale.tax, sale.sold_on, asked.cheque_number)
    return payments.take_payment(household=sale.household, given=given, acting_user=acting_user, now=now)


def _sold_before(answer: dict[str, Any]) -> Sold:
    sale = FleetSale.objects.select_related("instrument", "household").get(pk=answer["sale"])
    return Sold(sale, Payment.objects.filter(pk=answer["payment"]).first())


@transaction.atomic
def undo_sale(
    *,
    sale: FleetSale,
    location: Location,
    because: str,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> FleetSale:
    """Undo a sale: reversing entries, the instrument on the shelf at `location`, in the books as it was before.

    What was paid stays on the buyer's account, to be refunded or voided there. Raises SaleUndoneError, MonthClosedError,
    InstrumentNotThereError, RowsBusyError, PermissionDenied.
    """
    require(acting_user, "instruments.dispose")
    locks.lock_rows(Household.objects.filter(pk=sale.household_id), Instrument.objects.filter(pk=sale.instrument_id))
    undone = sales.undo_sale(sale=sale, because=because, acting_user=acting_user, now=now, today=today)
    reason = f"Sale undone: {because}"
    bring_back(instrument=sale.instrument, location=location, reason=reason, acting_user=acting_user, now=now)
    return undone


@transaction.atomic
def retire_instrument(
    *, instrument: Instrument, reason: str, acting_user: User, now: datetime.datetime, today: datetime.date
) -> FleetRemoval | None:
    """Take an instrument out of use for good, and out of the books at its book value; return its removal from the books, if any.

    Raises InstrumentOnAgreementError, InstrumentNotThereError, WorkOrderStillOpenError, RowsBusyError, PermissionDenied.
    """
    require(acting_user, "instruments.dispose")
    fleet.move_by_hand(instrument=instrument, place=Custody.Place.RETIRED, reason=reason, acting_user=acting_user, now=now)
    return books.remove_asset(instrument=instrument, on=today, how="lost", acting_user=acting_user, now=now)


@transaction.atomic
def lose_instrument(
    *,
    instrument: Instrument,
    reason: str,
    write_off: bool,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> FleetRemoval | None:
    """Put a missing instrument among the lost; with `write_off` take it out of the books too, and return that removal, if any.

    What a family rents is lost by the agreement's own way. Raises InstrumentOnAgreementError, InstrumentNotThereError,
    RowsBusyError, PermissionDenied.
    """
    fleet.move_by_hand(instrument=instrument, place=Custody.Place.LOST, reason=reason, acting_user=acting_user, now=now)
    if not write_off:
        return None
    require(acting_user, "instruments.dispose")
    return books.remove_asset(instrument=instrument, on=today, how="lost", acting_user=acting_user, now=now)


@transaction.atomic
def write_off_lost(*, instrument: Instrument, acting_user: User, now: datetime.datetime, today: datetime.date) -> FleetRemoval:
    """Take a lost instrument out of the books at its book value; it stays among the lost, and may be found again.

    Raises NotLostError, NotInBooksError, RowsBusyError, PermissionDenied.
    """
    require(acting_user, "instruments.dispose")
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    where = queries.get_whereabouts(instrument)
    if where is None or where.place != Custody.Place.LOST:
        raise NotLostError(instrument)
    removal = books.remove_asset(instrument=instrument, on=today, how="lost", acting_user=acting_user, now=now)
    if removal is None:
        raise NotInBooksError(instrument)
    return removal


@transaction.atomic
def find_instrument(
    *,
    instrument: Instrument,
    location: Location,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> FleetRemoval | None:
    """Put a lost or retired instrument onto the shelf again, and into the books as it was; return the removal undone, if any.

    Raises InstrumentNotThereError, MonthClosedError, RowsBusyError; PermissionDenied for a retired one without the right.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    where = queries.get_whereabouts(instrument)
    place = where.place if where else ""
    if place == Custody.Place.RETIRED:
        require(acting_user, "instruments.dispose")
    if place not in {Custody.Place.LOST, Custody.Place.RETIRED}:
        raise fleet.InstrumentNotThereError(instrument, place, Custody.Place.SHELF)
    bring_back(instrument=instrument, location=location, reason=reason, acting_user=acting_user, now=now)
    return books.put_back_asset(instrument=instrument, on=today, reason=reason, acting_user=acting_user, now=now)

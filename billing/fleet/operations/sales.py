"""An instrument sold outside an agreement: its bill with tax, and the sale undone. Moving it is the counter's."""

import datetime
from decimal import Decimal
from uuid import NAMESPACE_OID, uuid5

from django.db import transaction

from billing import charges
from billing.fleet.operations.removal import put_back_asset, remove_asset
from billing.models import Charge, ChargeLine, FleetRemoval, FleetSale
from rentals.agreements import queries as terms
from rentals.families import operations as families
from rentals.families.models import Household
from rentals.inventory.models import Instrument
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO, cents, tax_on
from rentals.staff.models import Office, User
from rentals.staff.operations import claim_request, keep_answer

COUNTER_BUYERS = uuid5(NAMESPACE_OID, "household of sales at the counter")
"""The key under which the household of buyers that the shop does not know is made, once."""


class SaleUndoneError(Exception):
    """The sale was undone before."""

    def __init__(self) -> None:
        super().__init__("This sale was undone already. Nothing is left to do.")


@transaction.atomic
def ensure_counter_household(*, acting_user: User) -> Household:
    """Return the household that carries sales to buyers in words, making it with the shop's own address the first time."""
    answer = claim_request(key=COUNTER_BUYERS, purpose="counter_buyers", request={}, acting_user=acting_user)
    if answer is not None:
        return Household.objects.get(pk=answer["household"])
    office = Office.objects.get()
    made = families.add_household(
        name="Sales at the counter",
        street=office.street,
        city=office.city,
        state=office.state,
        postal_code=office.postal_code,
        guardian={"given_name": "Sales", "family_name": "Counter", "phone": office.phone, "email": office.email},
        notes="Carries the sales of instruments to buyers who are no family of the programme. Each sale names its buyer.",
        acting_user=acting_user,
    )
    keep_answer(key=COUNTER_BUYERS, answer={"household": made.pk})
    return made


def tax_of(price: Decimal, *, household_id: int | None, on: datetime.date) -> tuple[Decimal, Decimal]:
    """Return the rate and the tax on a price, for an instrument received at the shop, as on goods; exempt families pay none.

    `household_id` None: a buyer in words, who is never exempt. Raises NoTaxAreaError.
    """
    area = terms.get_tax_area("")
    rates = terms.get_household_tax_rates(household_id or 0, area, on)
    rate = rates.get(ChargeLine.Kind.GOODS.value, ZERO)
    return rate, tax_on(cents(price), rate)


@transaction.atomic
def record_sale(
    *,
    instrument: Instrument,
    household: Household,
    buyer: str,
    price: Decimal,
    today: datetime.date,
    acting_user: User,
    now: datetime.datetime,
) -> FleetSale:
    """Bill the sale to the household, take the instrument out of the books as sold, and write the sale down.

    Debit what is owed; credit the price (instruments sold) and the tax. Cost and depreciation go out at book value, so income
    less book value is the gain, or the loss. A step of the counter's flow, which has locked household and instrument.
    Raises NothingToChargeError, NoTaxAreaError, RowsBusyError.
    """
    rate, tax = tax_of(price, household_id=None if buyer else household.pk, on=today)
    words = f"{instrument.item.kind.name} {instrument.asset_tag}, sold"
    lines = charges.with_tax(ChargeLine.Kind.INSTRUMENT, words, cents(price), rate)
    charge = Charge(household=household, kind=Charge.Kind.PURCHASE, due_on=today)
    memo = f"{instrument.asset_tag} sold{f' to {buyer}' if buyer else f', {household.number}'}"
    charges.write_charge(charge, lines, memo=memo, acting_user=acting_user, now=now)
    remove_asset(instrument=instrument, on=today, how=FleetRemoval.How.SOLD, acting_user=acting_user, now=now)
    return FleetSale.objects.create(
        instrument=instrument,
        household=household,
        buyer=buyer,
        sold_on=today,
        price=cents(price),
        tax=tax,
        charge=charge,
        made_at=now,
        made_by=acting_user,
    )


@transaction.atomic
def undo_sale(*, sale: FleetSale, because: str, acting_user: User, now: datetime.datetime, today: datetime.date) -> FleetSale:
    """Take a sale back by reversing entries: the charge is void, what was paid waits on the account, the asset is in the books.

    A step of the counter's flow, which moves the instrument. Raises SaleUndoneError, MonthClosedError, RowsBusyError.
    """
    lock_one(Household.objects.filter(pk=sale.household_id))
    current: FleetSale = lock_one(FleetSale.objects.filter(pk=sale.pk))
    if current.undone_at is not None:
        raise SaleUndoneError
    current.undone_at, current.undone_by, current.undone_because = now, acting_user, because[:160]
    current.save(update_fields=["undone_at", "undone_by", "undone_because"])
    reason = f"sale undone: {because}"
    charges.void_charge(charge=current.charge, reason=reason, acting_user=acting_user, now=now)
    put_back_asset(instrument=current.instrument, on=today, reason=reason, acting_user=acting_user, now=now)
    return current

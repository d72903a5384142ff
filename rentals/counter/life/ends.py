"""What every way of leaving shares: the unit in hand, the condition it comes back in, and what ending comes to."""

import datetime
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.db.models import Sum
from django.utils.translation import gettext

from billing import charges, queries
from billing.models import Charge, ChargeLine
from rentals.agreements import periods, promises
from rentals.agreements.models import Agreement, AgreementUnit, ReturnCheck
from rentals.documents.words import in_language
from rentals.families.models import Household
from rentals.inventory import operations as fleet
from rentals.inventory import queries as inventory
from rentals.inventory.models import Custody, Instrument, Location, Product, WorkOrder
from rentals.runtime import locks
from rentals.runtime.money import ZERO, cents
from rentals.runtime.templatetags.office import day
from rentals.staff.models import User

PARTS: dict[str, tuple[str, ...]] = {
    "string": ("Case", "Bow", "Rosin", "Shoulder rest"),
    "woodwind": ("Case", "Mouthpiece or head joint", "Ligature and cap", "Cleaning rod or swab"),
    "brass": ("Case", "Mouthpiece", "Valve or slide oil"),
    "percussion": ("Case", "Sticks or mallets", "Stand"),
}
"""What comes with an instrument of each family of kinds and should come back with it: common practice, no source."""


class NoInstrumentOnItError(Exception):
    """The agreement has no instrument that could come back or be bought."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"No instrument is on {agreement.number}: there is nothing to take back or to sell.")


class FiguresChangedError(Exception):
    """Between showing and doing, what it comes to changed: the family must see the new figures first."""

    def __init__(self) -> None:
        super().__init__("What this comes to changed since it was shown. Look at the new figures with the family, then go on.")


@dataclass(frozen=True)
class Missing:
    """A part that did not come back, with its price before tax."""

    part: str
    price: Decimal


@dataclass(frozen=True)
class Condition:
    """How an instrument came back, and where. A `problem` opens a work order on it; without one it goes to the shelf."""

    grade: str
    location: Location
    note: str = ""
    problem: str = ""
    missing: tuple[Missing, ...] = ()


@dataclass(frozen=True)
class OutcomeLine:
    """One line of what ending comes to; what is taken back is negative."""

    what: str
    amount: Decimal
    since: datetime.date | None = None

    @property
    def label(self) -> str:
        """What it is, in the language of the moment; rent with the day it counts from."""
        said = {"what": in_language(self.what), "day": day(self.since, "short") if self.since else ""}
        if self.since is None:
            return said["what"]
        return (gettext("%(what)s from %(day)s, taken back") if self.amount < 0 else gettext("%(what)s, from %(day)s")) % said


@dataclass(frozen=True)
class Outcome:
    """What ending an agreement comes to: lines billed and taken back, their sum, and what the household owes after it."""

    lines: tuple[OutcomeLine, ...]
    balance: Decimal

    @property
    def total(self) -> Decimal:
        """All lines together."""
        return sum((line.amount for line in self.lines), ZERO)

    @property
    def on_account(self) -> Decimal:
        """What the household has on account after it; nothing while it owes."""
        return max(-self.balance, ZERO)


@contextmanager
def tried() -> Iterator[None]:
    """Do something and take it all back again: so a screen shows to the cent what doing it would come to."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def get_unit(agreement: Agreement, role: str = AgreementUnit.Role.RENTED) -> AgreementUnit | None:
    """Return the open unit of an agreement, with its instrument and kind."""
    return agreement.units.filter(ended_at=None, role=role).select_related("instrument__item__kind").first()


def lock_instrument(agreement: Agreement, *others: Instrument) -> Instrument:
    """Lock the rented instrument, and others with it, and return it. Raises NoInstrumentOnItError, RowsBusyError."""
    unit = get_unit(agreement)
    if unit is None:
        raise NoInstrumentOnItError(agreement)
    locks.lock_rows(Instrument.objects.filter(pk__in=[unit.instrument_id, *(each.pk for each in others)]))
    return unit.instrument


def lock_what_comes_back(agreement: Agreement, *others: Instrument) -> Instrument | None:
    """Lock the rented instrument, and others with it; None while the family still waits for its own.

    Raises NoInstrumentOnItError, RowsBusyError.
    """
    if not promises.is_waiting(agreement):
        return lock_instrument(agreement, *others)
    if others:
        locks.lock_rows(Instrument.objects.filter(pk__in=[each.pk for each in others]))
    return None


def price_parts(family: str) -> list[Missing]:
    """List the parts that go with a family of kinds, each at the price of the first product that is it, else nothing."""
    products = list(Product.objects.filter(is_active=True).order_by("price", "name"))
    return [Missing(part, _price_of(part, products)) for part in PARTS.get(family, ("Case",))]


def _price_of(part: str, products: Sequence[Product]) -> Decimal:
    """The price of a product that is the part and not something for it: "Clarinet mouthpiece", not "Mouthpiece brush"."""
    words = tuple(word.strip().casefold() for word in part.split(" or "))
    found = next((each for each in products if each.name.casefold().split(",")[0].endswith(words)), None)
    return found.price.amount if found else ZERO


def rent_still_owed(agreement: Agreement, ended_on: datetime.date, segments: Sequence[periods.Segment]) -> Decimal:
    """Return the rent from a day until the agreement's minimum term ends, before tax, by actual days; nothing without one.

    What was billed past that day counts as paid toward it: the rest begins where the last bill ends.
    """
    if agreement.minimum_until is None:
        return ZERO
    running = Charge.objects.filter(agreement=agreement, kind=Charge.Kind.RENT, void_entry=None)
    billed = max((end for end in running.values_list("period_ends_on", flat=True) if end), default=ended_on)
    return periods.rent_between(segments, max(billed, ended_on), agreement.minimum_until)


def bill_minimum_term(
    *, agreement: Agreement, ended_on: datetime.date, owed: Decimal, acting_user: User, now: datetime.datetime
) -> list[Charge]:
    """Bill the rent that is left of a minimum term as one fee; nothing where none is left."""
    if owed <= 0:
        return []
    return [
        charges.charge_fee(
            household=Household(pk=agreement.household_id),
            on=ended_on,
            description="Rent to the end of the minimum term",
            amount=owed,
            agreement=agreement,
            acting_user=acting_user,
            now=now,
        )
    ]


def bill_missing(
    *, agreement: Agreement, missing: Sequence[Missing], on: datetime.date, acting_user: User, now: datetime.datetime
) -> list[Charge]:
    """Bill the parts that did not come back, as goods with their tax; nothing where all came back, or came for nothing."""
    goods = [charges.Goods(f"{each.part}, missing at the return", cents(each.price)) for each in missing if each.price > 0]
    if not goods:
        return []
    return [
        charges.charge_goods(
            household=agreement.household,
            on=on,
            goods=goods,
            tax_area=agreement.tax_area,
            agreement=agreement,
            acting_user=acting_user,
            now=now,
        )
    ]


def describe(household_id: int, made: Sequence[Charge], taken_back: Sequence[Charge] = ()) -> Outcome:
    """Put charges made and taken back into lines, tax with what it taxes on its own line, and say what is owed after them."""
    lines = [OutcomeLine("Rent", -_sum(each), each.due_on) for each in taken_back]
    for charge in made:
        since = charge.due_on if charge.kind == Charge.Kind.RENT else None
        lines += [OutcomeLine(line.description, line.amount, since) for line in charge.lines.order_by("position")]
    return Outcome(tuple(lines), queries.sum_balance(household_id))


def _sum(charge: Charge) -> Decimal:
    return ChargeLine.objects.filter(charge=charge).aggregate(sum=Sum("amount"))["sum"] or ZERO


def take_in(
    *, agreement: Agreement, instrument: Instrument, condition: Condition, acting_user: User, now: datetime.datetime
) -> None:
    """Write down how the rented instrument came back, note its condition, and open a work order where something is wrong.

    Before the agreement ends: what goes to the bench does not pass the shelf.
    """
    ReturnCheck.objects.create(
        agreement=agreement,
        instrument=instrument,
        grade=condition.grade,
        note=condition.note,
        missing=[[each.part, str(cents(each.price))] for each in condition.missing],
        checked_at=now,
        checked_by=acting_user,
    )
    fleet.note_grade(instrument=instrument, grade=condition.grade)
    if condition.problem:
        fleet.open_work_order(
            instrument=instrument,
            kind=WorkOrder.Kind.REPAIR,
            problem=condition.problem,
            location=condition.location,
            acting_user=acting_user,
            now=now,
        )


def is_at_the_shop(instrument: Instrument) -> bool:
    """Tell whether an instrument stands at the shop already."""
    here = inventory.get_whereabouts(instrument)
    return here is not None and here.place in {Custody.Place.SHELF, Custody.Place.BENCH}

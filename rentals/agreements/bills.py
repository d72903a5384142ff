"""A family's whole bill, period by period, until the instrument is its own. Pure functions of terms, tax rates and a price.

Every period is billed whole, the last one too: nothing here makes it smaller, because the month's billing does not either.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from rentals.agreements import rules
from rentals.agreements.periods import PeriodToBill, Segment, period_at
from rentals.runtime.money import ZERO, cents, tax_on

TaxRates = Mapping[str, Decimal]


class Buying(NamedTuple):
    """How rent leads to owning: the purchase price before tax, the share of rent that counts, how far, and what is off early."""

    price: Decimal
    share: Decimal
    cap_share: Decimal
    early_discount: Decimal

    def credit(self, rent_paid: Decimal) -> Decimal:
        """Return the rental credit that so much rent gives."""
        return rules.rent_credit(rent_paid, self.share, self.price * self.cap_share)

    def is_covered(self, rent_paid: Decimal) -> bool:
        """Whether so much rent makes the instrument the family's own."""
        return self.credit(rent_paid) >= self.price

    def is_full(self, rent_paid: Decimal) -> bool:
        """Whether more rent adds no more credit."""
        return self.credit(rent_paid) >= cents(self.price * self.cap_share)


class Bill(NamedTuple):
    """One bill and where the family stands once it is paid: its credit so far, and the price to buy then, with tax."""

    period: PeriodToBill
    rent_tax: Decimal
    protection_tax: Decimal
    credit: Decimal
    price_to_buy: Decimal

    @property
    def due_on(self) -> date:
        """The day it is due: its period's first."""
        return self.period.begins_on

    @property
    def tax(self) -> Decimal:
        """The tax of its lines together."""
        return self.rent_tax + self.protection_tax

    @property
    def rent_with_tax(self) -> Decimal:
        """The part that leads to owning, and its tax."""
        return self.period.rent + self.rent_tax

    @property
    def total(self) -> Decimal:
        """What is to pay."""
        return self.period.rent + self.period.protection + self.tax


def list_bills(segments: Sequence[Segment], tax_rates: TaxRates, buying: Buying, most: int) -> tuple[Bill, ...]:
    """Return the bills of periods 0, 1, … until the instrument is owned or credit is full, `most` at the most.

    Every bill is taken as paid on its day.

    >>> from rentals.agreements.periods import first_segments
    >>> terms = first_segments(starts_on=date(2026, 8, 20), rent=Decimal("30"), protection=Decimal("4"), due_day=1)
    >>> rates = {"rent": Decimal("0.05"), "protection": Decimal("0"), "goods": Decimal("0.05")}
    >>> [f"{b.due_on:%b %d} {b.total} {b.credit} {b.price_to_buy}" for b in
    ...  list_bills(terms, rates, Buying(Decimal("60"), Decimal("1"), Decimal("1"), Decimal("0")), 12)]
    ['Aug 20 13.74 11.61 50.81', 'Sep 01 35.50 41.61 19.31', 'Oct 01 35.50 60.00 0.00']
    """
    made: list[Bill] = []
    paid = ZERO
    while len(made) < most and not (made and buying.is_full(paid)):
        period = period_at(segments, len(made))
        paid += period.rent
        credit = buying.credit(paid)
        left = rules.payoff(
            purchase_price=buying.price, credit=credit, early_discount=buying.early_discount, tax_rate=tax_rates["goods"]
        )
        taxes = tax_on(period.rent, tax_rates["rent"]), tax_on(period.protection, tax_rates["protection"])
        made.append(Bill(period, *taxes, credit, left.total))
    return tuple(made)


def payments_until_owned(segments: Sequence[Segment], buying: Buying) -> int | None:
    """Return how many periods' rents make the instrument the family's own, bridge and introductory period counted as one each.

    None when rent alone never leads there.

    >>> from rentals.agreements.periods import first_segments
    >>> terms = first_segments(starts_on=date(2026, 8, 20), rent=Decimal("30"), protection=Decimal("0"), due_day=1)
    >>> payments_until_owned(terms, Buying(Decimal("600"), Decimal("1"), Decimal("1"), Decimal("0")))
    21
    """
    if buying.price <= 0:
        return 0
    if cents(buying.price * buying.cap_share) < buying.price or buying.share <= 0:
        return None
    paid, last = ZERO, segments[-1]
    for n in range(last.first_period):
        paid += period_at(segments, n).rent
        if buying.is_covered(paid):
            return n + 1
    more = rules.months_until_owned(buying.price, last.rent, buying.share, Decimal(1), paid)
    return None if more is None else last.first_period + more


def sum_until(segments: Sequence[Segment], tax_rates: TaxRates, count: int, *, with_protection: bool) -> Decimal:
    """Return what the first `count` periods cost with tax, each line's tax rounded by itself; goods and fees are not in it."""

    def cost(n: int) -> Decimal:
        period = period_at(segments, n)
        rent = period.rent + tax_on(period.rent, tax_rates["rent"])
        return rent + (period.protection + tax_on(period.protection, tax_rates["protection"]) if with_protection else ZERO)

    first_of_last = segments[-1].first_period
    before = sum((cost(n) for n in range(min(count, first_of_last))), ZERO)
    return before + max(count - first_of_last, 0) * cost(first_of_last)

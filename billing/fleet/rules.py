"""Depreciation as pure functions: straight line by month for the books, MACRS by year for comparison.

Straight line with a full month for the month of purchase and none for the month an instrument leaves: common practice, no source.
MACRS: IRS Publication 946, Table A-1. What may be deducted is for a tax adviser to say.
"""

import datetime
from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple

from rentals.runtime.money import ZERO, cents

MACRS: Mapping[int, Sequence[Decimal]] = {
    3: [Decimal(p) for p in ("33.33", "44.45", "14.81", "7.41")],
    5: [Decimal(p) for p in ("20.00", "32.00", "19.20", "11.52", "11.52", "5.76")],
    7: [Decimal(p) for p in ("14.29", "24.49", "17.49", "12.49", "8.93", "8.92", "8.93", "4.46")],
}
"""Percent of cost by class and year: 200 % declining balance, half-year convention (IRS Publication 946, Table A-1)."""


def months_used(in_service_on: datetime.date, month: datetime.date, life_months: int) -> int:
    """Return how many months of its life an asset has used by the end of a month, the month of purchase included.

    Never more than the life, and 0 for a month before the purchase. `month` is any day of it.

    >>> months_used(datetime.date(2026, 1, 31), datetime.date(2026, 3, 1), 60)
    3
    >>> months_used(datetime.date(2020, 1, 31), datetime.date(2026, 3, 1), 60)
    60
    """
    gone = 12 * (month.year - in_service_on.year) + month.month - in_service_on.month + 1
    return max(0, min(gone, life_months))


def straight_line(basis: Decimal, life_months: int, age: int) -> Decimal:
    """Return what is depreciated after `age` months: the month's share half up to the cent, `age` times, never above the basis.

    The last month brings it to the basis to the cent. The database's billing_straight_line gives the same.

    >>> straight_line(Decimal("100.00"), 3, 2), straight_line(Decimal("100.00"), 3, 3)
    (Decimal('66.66'), Decimal('100.00'))
    """
    return basis if age >= life_months else min(cents(basis / life_months) * age, basis)


def straight_line_schedule(basis: Decimal, life_months: int) -> list[Decimal]:
    """List the depreciation of each month of a life; it adds up to the basis, the last month takes the remainder.

    >>> [str(amount) for amount in straight_line_schedule(Decimal("100.00"), 3)]
    ['33.33', '33.33', '33.34']
    """
    so_far = [straight_line(basis, life_months, age) for age in range(life_months + 1)]
    return [now - before for before, now in pairwise(so_far)]


def macrs_schedule(cost: Decimal, class_years: int) -> list[Decimal]:
    """List the tax depreciation of each year in class 3, 5 or 7, half up to the cent; the last year takes the remainder.

    Of the whole cost, whatever is left after the life. One year more than the class, as half a year falls off at the start
    (half-year convention). Rounded year by year, 849.95 over five years would come to 849.94.

    >>> [str(amount) for amount in macrs_schedule(Decimal("1000.00"), 3)]
    ['333.30', '444.50', '148.10', '74.10']
    """
    amounts: list[Decimal] = []
    left = cost
    for percent in MACRS[class_years][:-1]:
        amounts.append(min(cents(cost * percent / 100), left))
        left -= amounts[-1]
    return [*amounts, left]


class Year(NamedTuple):
    """One calendar year of an asset, by the books and by the tax table; `percent` is None after the table's last year."""

    year: int
    straight_line: Decimal
    book_value: Decimal
    percent: Decimal | None
    macrs: Decimal
    tax_value: Decimal


def years_side_by_side(
    *, cost: Decimal, salvage: Decimal, in_service_on: datetime.date, life_months: int, tax_class: int
) -> list[Year]:
    """List the calendar years of an asset until both ways are at their end, the tax year taken as the calendar year.

    >>> cost, salvage, bought_on = Decimal("100.00"), Decimal("10.00"), datetime.date(2026, 11, 3)
    >>> rows = years_side_by_side(cost=cost, salvage=salvage, in_service_on=bought_on, life_months=24, tax_class=3)
    >>> [(row.year, str(row.straight_line), str(row.macrs)) for row in rows]
    [(2026, '7.50', '33.33'), (2027, '45.00', '44.45'), (2028, '37.50', '14.81'), (2029, '0.00', '7.41')]
    """
    by_year: dict[int, Decimal] = {}
    for place, amount in enumerate(straight_line_schedule(cost - salvage, life_months)):
        year = in_service_on.year + (in_service_on.month - 1 + place) // 12
        by_year[year] = by_year.get(year, ZERO) + amount
    tax = macrs_schedule(cost, tax_class)
    book_value = tax_value = cost
    rows = []
    for place in range(max(len(by_year), len(tax))):
        year = in_service_on.year + place
        straight, macrs = by_year.get(year, ZERO), tax[place] if place < len(tax) else ZERO
        book_value, tax_value = book_value - straight, tax_value - macrs
        rows.append(Year(year, straight, book_value, MACRS[tax_class][place] if place < len(tax) else None, macrs, tax_value))
    return rows

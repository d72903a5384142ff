"""A plan tried out before anybody signs it: one family's bills until the instrument is its own."""

from dataclasses import dataclass
from datetime import date

from rentals.agreements import bills, queries, quotes
from rentals.agreements.models import PlanVersion
from rentals.inventory.models import CatalogueItem

SHOWN = 84
"""Bills an example shows at most: seven years of months."""


@dataclass(frozen=True)
class Trying:
    """What the manager tries it with."""

    item: CatalogueItem
    condition: str
    protection: bool
    starts_on: date


@dataclass(frozen=True)
class Example:
    """The quote such a family gets, and its bills; `more` is how many follow that are not shown."""

    quote: quotes.Quote
    bills: tuple[bills.Bill, ...]
    more: int


def make_example(version: PlanVersion, trying: Trying) -> Example:
    """Return a family's bills under a version, saved or not: at the shop's own place, at the prices in force on its first day.

    Raises NoRateError, NoTaxAreaError.
    """
    item, day = trying.item, trying.starts_on
    area = queries.get_tax_area("")
    tax_rates = queries.get_tax_rates(area, day)
    quote = quotes.make_quote(
        item=item,
        plan_version=version,
        rate=queries.get_rate(item.kind, item.tier, day, plan=version.plan_id, condition=trying.condition),
        protection=trying.protection,
        goods=(),
        tax_area=area,
        tax_rates=tax_rates,
        starts_on=day,
    )
    shown = bills.list_bills(quote.segments, tax_rates, quote.buying, SHOWN)
    return Example(quote, shown, max((quote.payments_until_owned or 0) - len(shown), 0))

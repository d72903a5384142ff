"""The demo's fleet in the books: booked when the office opens, and depreciated as the months go by."""

import datetime
from decimal import Decimal

from billing.fleet import operations
from rentals.counter.demo.shop import Shop
from rentals.staff.models import Role

TERMS = operations.Terms(life_months=84, salvage_share=Decimal("0.10"), tax_class=7)
"""Seven years, a tenth left at the end (common practice, no source)."""


def book_fleet(shop: Shop, *, opened_on: datetime.date, now: datetime.datetime) -> None:
    """Take whatever was bought before the office opened into its books."""
    bookkeeper = shop.people[Role.BOOKKEEPER.value]
    operations.book_instruments(terms=TERMS, acting_user=bookkeeper, now=now, today=opened_on)


def depreciate(shop: Shop, *, month: datetime.date, now: datetime.datetime) -> None:
    """Depreciate a month (its first day) on the day after its last."""
    following = (month + datetime.timedelta(days=32)).replace(day=1)
    bookkeeper = shop.people[Role.BOOKKEEPER.value]
    operations.depreciate_month(month=month, acting_user=bookkeeper, now=now, today=following)

"""What the tests of the fleet in the books share: a few instruments, a bookkeeper, and an office whose books begin in March."""

import datetime
from decimal import Decimal

import pytest

from billing.fleet import operations
from rentals.inventory.models import Custody, Instrument, Location
from tests.billing.factories import ItemFactory
from tests.factories import BookkeeperFactory

NOON = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)
DAY = datetime.date(2026, 3, 10)
MARCH, APRIL, MAY = (datetime.date(2026, month, 1) for month in (3, 4, 5))
LATER = datetime.date(2027, 6, 15)
TERMS = operations.Terms(life_months=60, salvage_share=Decimal("0"), tax_class=7)


def buy(tag, cost="600.00", on=DAY, item=None):
    """An instrument on the shelf."""
    location, _ = Location.objects.get_or_create(
        code="main", defaults={"name": "Main Street", "street": "1", "city": "Springfield", "state": "IL", "postal_code": "62704"}
    )
    instrument = Instrument.objects.create(asset_tag=tag, item=item or ItemFactory(), acquired_on=on, cost=cost, grade="new")
    Custody.objects.create(
        instrument=instrument, place="shelf", location=location, began_at=NOON, reason="Received", moved_by=BookkeeperFactory()
    )
    return instrument


def move(instrument, place):
    """It is sold, lost or retired by the inventory."""
    Custody.objects.filter(instrument=instrument, ended_at=None).update(ended_at=NOON)
    Custody.objects.create(instrument=instrument, place=place, began_at=NOON, reason="Test", moved_by=BookkeeperFactory())


def book(clerk, terms=TERMS, today=DAY, **options):
    """Book whatever is to be booked."""
    return operations.book_instruments(terms=terms, acting_user=clerk, now=NOON, today=today, **options)


def depreciate(clerk, month, today=LATER):
    """Depreciate one month."""
    return operations.depreciate_month(month=month, acting_user=clerk, now=NOON, today=today)


@pytest.fixture
def fleet(bookkeeper):
    """Two instruments in the books, over 600.00 and 100.00, five years each."""
    instruments = [buy("F-001", "600.00"), buy("F-002", "100.00")]
    book(bookkeeper)
    return instruments

"""What the tests of earning share: agreements with instruments on them, billed at round prices."""

import datetime
import zoneinfo

import pytest

from billing import charges
from rentals.agreements.models import AgreementUnit
from rentals.inventory.models import Custody
from tests.billing.factories import AgreementFactory, FollowingAgreementFactory
from tests.factories import BookkeeperFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory
from tests.schools.factories import SchoolFactory

ZONE = zoneinfo.ZoneInfo("America/Chicago")
NOW = datetime.datetime(2026, 6, 20, 17, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 6, 20)


def at(month, day, hour=10, year=2026):
    """An hour of the office's day."""
    return datetime.datetime(year, month, day, hour, tzinfo=ZONE)


def instrument(tag, kind="flute", cost="400.00", **fields):
    """An instrument of a kind, nowhere yet."""
    item = fields.pop("item", None) or CatalogueItemFactory(kind_code=kind)
    return InstrumentFactory(asset_tag=tag, item=item, cost=cost, place="nowhere", **fields)


def put(unit, *moves):
    """Write its custody: (place, from when); each lasts until the next."""
    ends = [began for _, began in moves[1:]] + [None]
    for (place, began), ended in zip(moves, ends, strict=True):
        keeper = {"location": LocationFactory()} if place in {"shelf", "bench"} else {}
        if place == "family":
            keeper = {"household": AgreementFactory().household}
        if place == "school":
            keeper = {"school": SchoolFactory()}
        Custody.objects.create(
            instrument=unit, place=place, began_at=began, ended_at=ended, reason="Test", moved_by=BookkeeperFactory(), **keeper
        )


def rent(unit, began, ended=None, *, follows=None, role="rented", agreement=None, **fields):
    """An agreement with an instrument on it for a time."""
    if agreement is None:
        make = FollowingAgreementFactory if follows else AgreementFactory
        agreement = make(**({"follows": follows} if follows else {}), item=unit.item, **fields)
    AgreementUnit.objects.create(agreement=agreement, instrument=unit, role=role, began_at=began, ended_at=ended)
    return agreement


def bill(agreement, periods, now=NOW):
    """Charge periods of an agreement: 20.00 rent and 5.00 protection each, the first on January 31."""
    clerk = BookkeeperFactory()
    return [charges.charge_period(agreement=agreement, period=period, acting_user=clerk, now=now) for period in range(periods)]


@pytest.fixture
def clerk(db):
    return BookkeeperFactory()

"""A stock count that finds a lost instrument brings it into the books again; what is retired comes back by the manager only."""

import datetime
from decimal import Decimal
from uuid import uuid4

import pytest

from billing import verify
from billing.fleet import operations as books
from billing.models import FleetRemoval
from rentals.counter.fleet import operations
from rentals.inventory.operations import counts
from rentals.inventory.operations.settling import Pick, settle
from rentals.inventory.queries import get_whereabouts
from rentals.inventory.queries.counts import reconcile
from tests.counter.leaving import NOW, TODAY, shop
from tests.factories import BookkeeperFactory, TechnicianFactory, UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

TERMS = books.Terms(life_months=60, salvage_share=Decimal(0), tax_class=7)
LATER = NOW + datetime.timedelta(hours=3)
pytestmark = pytest.mark.django_db


@pytest.fixture
def manager():
    shop()
    return UserFactory(role="manager")


@pytest.fixture
def unit(manager):
    made = InstrumentFactory(asset_tag="CL-1", acquired_on=datetime.date(2026, 1, 10), cost=Decimal("600.00"))
    books.book_instruments(terms=TERMS, acting_user=BookkeeperFactory(), now=NOW, today=TODAY)
    return made


def count_it(unit, person):
    """Scan it in a count of the shop, and put it on the shelf in the review."""
    count = counts.open_count(location=LocationFactory(), acting_user=person, now=NOW, request_key=uuid4())
    scans = [counts.ScanSent(uuid4(), unit.asset_tag)]
    counts.take_scans(count=count, scans=scans, acting_user=person, now=NOW + datetime.timedelta(hours=2))
    picks = [Pick.read(each.key) for each in reconcile(count, LATER).unexpected]
    return settle(count=count, picks=picks, how="moved_here", reason="Behind the risers", acting_user=person, now=LATER)


def test_a_lost_one_is_found_and_in_the_books_again(unit, manager):
    gone = {"instrument": unit, "reason": "Gone", "write_off": True, "acting_user": manager, "now": NOW, "today": TODAY}
    operations.lose_instrument(**gone)
    assert len(count_it(unit, TechnicianFactory()).done) == 1
    assert get_whereabouts(unit).place == "shelf"
    assert FleetRemoval.objects.get().undo_entry is not None
    assert [(check.title, found) for check, found in verify.run_checks() if found] == []


def test_a_retired_one_waits_for_the_manager(unit, manager):
    operations.retire_instrument(instrument=unit, reason="Cracked", acting_user=manager, now=NOW, today=TODAY)
    refused = count_it(unit, TechnicianFactory())
    assert refused.refused == ["CL-1 was retired: ask the manager to put it back, or leave it as it is."]
    assert FleetRemoval.objects.get().undo_entry is None

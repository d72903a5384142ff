"""Two people scan one instrument into two vans at the same moment; and two scan into the same van."""

import datetime
import uuid

import pytest
from django.db import transaction

from rentals.counter.nights.packing import scans
from rentals.inventory.models import Custody
from rentals.runtime import locks
from schools import nights_packing
from schools.models import NightUnit
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import NightFactory

pytestmark = pytest.mark.django_db(transaction=True)
NOW = datetime.datetime(2026, 11, 30, 18, 0, tzinfo=datetime.UTC)


def scan(night, unit, person):
    sent = scans.Scan(night, unit.asset_tag, uuid.uuid4(), scans.EXTRA)
    return lambda: scans.take_load(sent, acting_user=person, now=NOW)


def test_one_of_two_vans_wins(race):
    unit, people = InstrumentFactory(), [TechnicianFactory(), TechnicianFactory()]
    told = race(*(scan(NightFactory(), unit, person) for person in people))
    assert sorted(each.tone for each in told) == ["bad", "good"]
    assert "In another van" in {each.words for each in told}
    assert NightUnit.objects.count() == 1
    assert Custody.objects.filter(instrument=unit, place="van").count() == 1


def test_two_people_loading_one_van_both_get_theirs(race):
    night = NightFactory()
    units = [InstrumentFactory(), InstrumentFactory()]
    told = race(*(scan(night, unit, TechnicianFactory()) for unit in units))
    assert [each.tone for each in told] == ["good", "good"]
    night.refresh_from_db()
    assert (night.state, night.units.count()) == ("open", 2)


def test_without_the_instruments_lock_only_the_constraint_is_left(race, monkeypatch):
    """The twin: nobody waits for anybody, and both find the shelf full; the database keeps the second out all the same."""
    monkeypatch.setattr(nights_packing, "lock_one", lambda rows, **_: rows.get())
    monkeypatch.setattr(nights_packing, "check_free", lambda *_: None)
    unit = InstrumentFactory()

    def load(night, person):
        def run():
            with transaction.atomic():
                return nights_packing.load(night=night, instrument=unit, acting_user=person, now=NOW)

        return run

    outcomes = race(*(load(NightFactory(), TechnicianFactory()) for _ in range(2)))
    assert [type(each) for each in outcomes if isinstance(each, Exception)] in (
        [nights_packing.AlongAlreadyError],
        [locks.RowsBusyError],
    )
    assert NightUnit.objects.count() == 1

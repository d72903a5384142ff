"""The demo's runs: yesterday's is accounted for to the last scan, tomorrow's takes what waits."""

import datetime
from types import SimpleNamespace

import pytest

from billing import verify
from rentals.counter.demo import runs as demo
from schools.models import Load, Run
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.schools.factories import ErrandFactory, SchoolFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def test_yesterday_is_done_and_tomorrow_planned():
    shop = LocationFactory()
    people = {role: UserFactory(role=role) for role in ("specialist", "technician")}
    for _ in range(4):
        SchoolFactory()
        InstrumentFactory()
    waiting = ErrandFactory(wanted_from=NOW.date())
    demo.drive(SimpleNamespace(shop=SimpleNamespace(people=people, locations=[shop]), today=NOW.date(), now=NOW))
    done, planned = Run.objects.order_by("on")
    assert (done.state, planned.state) == ("done", "planned")
    assert sorted(Load.objects.filter(run=done).values_list("outcome", flat=True)) == ["delivered", "not_delivered", "safe_place"]
    assert planned.loads.filter(errand=waiting).exists()
    assert [found for _, found in verify.run_checks() if found] == []

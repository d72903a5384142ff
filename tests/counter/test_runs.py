"""A run's instruments: loaded, scanned off, signed for, fetched, brought home; custody and the errands that asked."""

import datetime
import uuid

import pytest

from billing import verify
from rentals.counter.runs import operations
from rentals.counter.runs.operations import Handover
from rentals.inventory import queries
from rentals.inventory.models import Custody, WorkOrder
from schools import errands, runs
from schools.models import Errand, HomeErrand, Load, Run
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, WorkOrderFactory
from tests.schools.factories import ErrandFactory, HomeErrandFactory, RunFactory, SchoolFactory

pytestmark = pytest.mark.django_db
MORNING = datetime.datetime(2026, 11, 24, 14, 0, tzinfo=datetime.UTC)
TODAY = MORNING.date()


class Tour:
    """A run as its driver works it; each act is a minute later."""

    def __init__(self):
        self.run = RunFactory(on=TODAY)
        self.driver, self.now = self.run.driver, MORNING

    def tick(self):
        self.now += datetime.timedelta(minutes=1)
        return {"acting_user": self.driver, "now": self.now}

    def put(self, kind="drop_off", instrument=None, what="", school=None):
        unit = instrument or InstrumentFactory()
        errand = ErrandFactory(kind=kind, instrument=unit, what=what, school=school or SchoolFactory())
        return runs.add_errand(run=self.run, errand=errand)

    def scan(self, step, load, key=None):
        load.refresh_from_db()
        stop = load.stop if step == "stop" else None
        return operations.scan(
            run=self.run, step=step, stop=stop, code=load.instrument.asset_tag, key=key or uuid.uuid4(), **self.tick()
        )

    def leave(self):
        operations.leave(run=self.run, **self.tick())

    def hand(self, load, **to):
        return operations.hand_over(stop=load.stop, to=Handover(**to), key=uuid.uuid4(), **self.tick())


@pytest.fixture
def tour():
    return Tour()


def place_of(load):
    return queries.get_whereabouts(load.instrument).place


def chain_of(load):
    return list(Custody.objects.filter(instrument=load.instrument).order_by("began_at", "pk").values_list("place", flat=True))


class TestIntoTheVan:
    def test_moves_from_the_shelf_into_the_van(self, tour):
        load = tour.put()
        assert tour.scan("load", load).tone == "good"
        assert chain_of(load) == ["shelf", "van"]

    def test_the_same_scan_sent_twice_is_one(self, tour):
        load, key = tour.put(), uuid.uuid4()
        assert tour.scan("load", load, key) == tour.scan("load", load, key)
        assert chain_of(load) == ["shelf", "van"]

    def test_leaves_on_the_bench_what_is_not_ready_and_says_why(self, tour):
        load = tour.put()
        WorkOrderFactory(instrument=load.instrument)
        verdict = tour.scan("load", load)
        assert (verdict.tone, place_of(load)) == ("bad", chain_of(load)[-1])
        assert "Its work is not done" in verdict.more
        assert Load.objects.get(pk=load.pk).loaded_at is None

    def test_refuses_what_is_not_on_the_run(self, tour):
        other = Tour().put()
        assert "Not on this run" in tour.scan("load", other).words

    def test_does_not_load_what_is_fetched_on_the_way(self, tour):
        load = tour.put("pick_up", what="A key sticks")
        assert "Fetched on the way" in tour.scan("load", load).words

    def test_takes_a_family_only_what_is_on_its_agreement(self, tour):
        errand = HomeErrandFactory()
        load = runs.add_home_errand(run=tour.run, errand=errand, initials="QS")
        assert "no agreement of this family" in tour.scan("load", load).more


class TestHandOver:
    def test_gives_a_school_its_instrument_against_a_signature(self, tour):
        load = tour.put()
        tour.scan("load", load)
        tour.leave()
        assert tour.scan("stop", load).tone == "good"
        assert place_of(load) == "van"  # not before somebody signs
        tour.hand(load, receiver="Jo Baton", strokes="M1 1L9 9")
        load.refresh_from_db()
        assert chain_of(load) == ["shelf", "van", "school"]
        assert (load.outcome, load.receiver, load.strokes) == ("delivered", "Jo Baton", "M1 1L9 9")
        assert Errand.objects.get(pk=load.errand_id).outcome == "done"

    def test_gives_a_family_what_it_rents_at_its_door(self, tour):
        agreement = AgreementFactory(unit=True)
        unit = agreement.units.get().instrument
        errand = HomeErrandFactory(household=agreement.household, instrument=unit, safe_place="Side porch")
        load = runs.add_home_errand(run=tour.run, errand=errand, initials="QS")
        assert tour.scan("load", load).tone == "good"
        tour.leave()
        tour.scan("stop", load)
        tour.hand(load, safe_place="Side porch, behind the bench")
        load.refresh_from_db()
        assert (load.outcome, load.words) == ("safe_place", "Side porch, behind the bench")
        assert chain_of(load)[-2:] == ["van", "family"]
        assert queries.get_whereabouts(unit).custody.household == agreement.household
        assert HomeErrand.objects.get(pk=errand.pk).outcome == "done"

    def test_needs_something_scanned_off(self, tour):
        load = tour.put()
        tour.scan("load", load)
        tour.leave()
        with pytest.raises(operations.NothingScannedOffError):
            tour.hand(load, receiver="Jo Baton")

    def test_says_which_stop_it_belongs_to(self, tour):
        load, other = tour.put(), tour.put()
        tour.scan("load", load)
        tour.leave()
        verdict = operations.scan(
            run=tour.run, step="stop", stop=other.stop, code=load.instrument.asset_tag, key=uuid.uuid4(), **tour.tick()
        )
        assert verdict.words == f"Another stop: {load.instrument.asset_tag}"
        assert f"stop {load.stop.order}, {load.stop.name}" in verdict.more


class TestNotDone:
    def test_what_was_not_handed_over_comes_back_and_waits_for_the_next_van_day(self, tour):
        load = tour.put()  # Tuesdays
        tour.scan("load", load)
        tour.leave()
        operations.not_done(load=load, why="Music room locked", **tour.tick())
        assert place_of(load) == "van"
        assert tour.scan("home", load).tone == "good"
        assert chain_of(load) == ["shelf", "van", "shelf"]
        (stop,) = errands.list_stops(today=TODAY)
        assert (stop.on, [errand.pk for errand in stop.errands]) == (datetime.date(2026, 12, 1), [load.errand_id])

    def test_what_was_not_there_waits_for_the_next_van_day(self, tour):
        load = tour.put("pick_up", what="A key sticks")
        tour.leave()
        operations.not_done(load=load, why="Student is sick", **tour.tick())
        assert Load.objects.get(pk=load.pk).closed_at is not None
        assert errands.list_stops(today=TODAY)[0].on == datetime.date(2026, 12, 1)

    def test_what_stayed_at_the_shop_waits_too(self, tour):
        load = tour.put()
        tour.leave()
        load.refresh_from_db()
        assert (load.outcome, place_of(load)) == ("left_out", "shelf")
        assert errands.get_open(load.instrument) is not None


class TestFinish:
    def test_a_whole_run_is_accounted_for_to_the_last_scan(self, tour):
        agreement = AgreementFactory(unit=True)
        fetched = tour.put("pick_up", agreement.units.get().instrument, "A key sticks")
        brought, left, undelivered = tour.put(), tour.put(), tour.put()
        for load in (brought, left, undelivered):
            assert tour.scan("load", load).tone == "good"
        tour.leave()
        assert tour.scan("stop", fetched).tone == "good"
        for load, to in ((brought, {"receiver": "Jo Baton"}), (left, {"safe_place": "School office"})):
            tour.scan("stop", load)
            tour.hand(load, **to)
        operations.not_done(load=undelivered, why="Nobody there", **tour.tick())
        with pytest.raises(operations.StillInTheVanError) as refused:
            operations.finish_run(run=tour.run, **tour.tick())
        assert sorted(refused.value.aboard) == sorted([fetched.instrument.asset_tag, undelivered.instrument.asset_tag])
        assert tour.scan("home", fetched).more.startswith("In the shop, work order W-")
        tour.scan("home", undelivered)
        assert operations.finish_run(run=tour.run, **tour.tick()).state == Run.State.DONE
        assert chain_of(fetched)[-2:] == ["van", "bench"]
        assert WorkOrder.objects.get(instrument=fetched.instrument).problem == "A key sticks"
        assert [chain_of(load)[1:] for load in (brought, left, undelivered)] == [
            ["van", "school"],
            ["van", "school"],
            ["van", "shelf"],
        ]
        assert not Custody.objects.filter(place="van", ended_at=None).exists()
        assert [found for _, found in verify.run_checks() if found] == []

    def test_says_what_nobody_dealt_with(self, tour):
        load = tour.put("pick_up", what="A key sticks")
        tour.leave()
        with pytest.raises(operations.StillInTheVanError, match=f"Not dealt with: {load.instrument.asset_tag}"):
            operations.finish_run(run=tour.run, **tour.tick())


class TestVansList:
    def test_what_is_on_a_run_is_ticked_off_there(self, tour):
        load = tour.put()
        with pytest.raises(errands.OnTheRunError, match="is on the run of November 24"):
            errands.call_off(errand=load.errand, acting_user=tour.driver, now=MORNING)

    def test_a_school_knows_its_next_run(self, tour):
        school = SchoolFactory()
        assert runs.next_run_to(school) is None
        tour.put(school=school)
        assert runs.next_run_to(school) == tour.run


class TestPlanning:
    def plan(self, tour, **changes):
        facts = {"on": TODAY, "driver": UserFactory(), "location": LocationFactory(), "ends_at_shop": True, "notes": ""}
        return runs.plan_run(**{**facts, "request_key": uuid.uuid4(), "acting_user": tour.driver, "now": MORNING, **changes})

    def test_a_driver_has_one_run_a_day(self, tour):
        with pytest.raises(runs.DriverHasRunError):
            self.plan(tour, driver=tour.driver)

    def test_an_instrument_goes_with_one_run(self, tour):
        load = tour.put()
        with pytest.raises(runs.OnRunError):
            runs.add_errand(run=self.plan(tour), errand=load.errand)

    def test_moves_pins_and_strikes_off(self, tour):
        one, two, three = (tour.put() for _ in range(3))
        order = lambda: list(tour.run.stops.order_by("order").values_list("pk", flat=True))  # noqa: E731
        runs.move_stop(stop=three.stop, by=-1)
        assert order() == [one.stop_id, three.stop_id, two.stop_id]
        runs.pin_stop(stop=two.stop, pinned="first")
        runs.pin_stop(stop=one.stop, pinned="last")
        assert order() == [two.stop_id, three.stop_id, one.stop_id]
        four = tour.put()
        assert order() == [two.stop_id, three.stop_id, four.stop_id, one.stop_id]
        runs.strike_off(load=three)
        assert order() == [two.stop_id, four.stop_id, one.stop_id]
        runs.put_in_order(run=tour.run)
        assert order()[0] == two.stop_id
        assert order()[-1] == one.stop_id

    def test_called_off_lets_everything_wait_again(self, tour):
        load = tour.put()
        runs.call_off(run=tour.run, acting_user=tour.driver, now=MORNING)
        assert [errand.pk for errand in runs.list_waiting(on=TODAY)[0]] == [load.errand_id]
        with pytest.raises(runs.RunOverError):
            runs.put_in_order(run=tour.run)

    def test_is_not_called_off_with_something_aboard(self, tour):
        tour.scan("load", tour.put())
        with pytest.raises(runs.CannotCallOffError):
            runs.call_off(run=tour.run, acting_user=tour.driver, now=MORNING)

    def test_refuses_a_stale_page(self, tour):
        tour.put()
        tour.run.refresh_from_db()
        seen = tour.run.version
        runs.put_in_order(run=tour.run, version=seen)
        with pytest.raises(runs.RunChangedError):
            runs.put_in_order(run=tour.run, version=seen)

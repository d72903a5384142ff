"""The van's list: asked for, shown to the driver, ticked off with custody, called off; on the day the van comes."""

import datetime

import pytest
from django.urls import reverse

from rentals.counter.van import operations, queries
from rentals.inventory import operations as fleet
from rentals.inventory import queries as inventory
from rentals.inventory.models import WorkOrder
from rentals.runtime import clock
from schools import errands
from schools.models import Errand
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.schools.factories import ErrandFactory, ProgrammeFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 9, 15)  # a Tuesday
NOW = datetime.datetime(2026, 9, 15, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture
def programme():
    return ProgrammeFactory(school__name="Alder School", school__delivery_weekday=3)


@pytest.fixture
def agreement(programme):
    return rent(programme, tag="CL-1001")


@pytest.fixture
def client(client_as, monkeypatch):
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    monkeypatch.setattr(clock, "now", lambda: NOW)
    return client_as("technician")


def ask(programme, unit, kind, what="A key sticks"):
    technician = TechnicianFactory()
    told = {"school": programme.school, "kind": kind, "instrument": unit, "what": what, "wanted_from": TODAY}
    return errands.ask_for(**told, acting_user=technician, now=NOW - datetime.timedelta(hours=2))


def do(errand, location=None):
    return operations.do_errand(errand=errand, location=location, acting_user=TechnicianFactory(), now=NOW)


def at_bench(unit):
    return fleet.open_work_order(
        instrument=unit,
        kind="repair",
        problem="A key sticks",
        location=LocationFactory(),
        paid_by="shop",
        acting_user=TechnicianFactory(),
        now=NOW - datetime.timedelta(hours=3),
    )


def finish(order):
    who = {"acting_user": order.opened_by, "now": NOW - datetime.timedelta(hours=1)}
    fleet.change_state(order=order, to="bench", **who)
    fleet.change_state(order=order, to="check", **who)
    fleet.record_quality_check(order=order, points=[("Plays", True)], note="", **who)


class TestDoErrand:
    def test_fetched_comes_in_with_what_is_wrong(self, programme, agreement):
        unit = instrument_of(agreement)
        do(ask(programme, unit, "pick_up"), LocationFactory())
        assert inventory.get_whereabouts(unit).place == "bench"
        assert WorkOrder.objects.get().problem == "A key sticks"
        agreement.refresh_from_db()
        assert agreement.is_open

    def test_fetched_without_a_shop_moves_nothing(self, programme, agreement):
        errand = ask(programme, instrument_of(agreement), "pick_up")
        with pytest.raises(operations.NotForThatShopError, match="Choose the shop"):
            do(errand)
        errand.refresh_from_db()
        assert (errand.ended_at, WorkOrder.objects.count()) == (None, 0)

    def test_scanned_in_by_hand_meanwhile_is_left_as_it_is(self, programme, agreement):
        unit = instrument_of(agreement)
        errand = ask(programme, unit, "pick_up")
        at_bench(unit)
        do(errand)
        assert WorkOrder.objects.count() == 1

    def test_brought_is_with_its_family_again_and_the_order_closed(self, programme, agreement):
        unit = instrument_of(agreement)
        finish(at_bench(unit))
        do(ask(programme, unit, "drop_off", ""))
        here = inventory.get_whereabouts(unit)
        assert (here.place, here.custody.household) == ("family", agreement.household)
        assert WorkOrder.objects.get().state == "done"

    def test_what_nobody_rents_goes_to_the_school(self, programme):
        unit = InstrumentFactory()
        do(ask(programme, unit, "drop_off", "For the demonstration"))
        assert inventory.get_whereabouts(unit).custody.school == programme.school

    def test_what_is_not_in_the_shop_is_not_brought(self, programme):
        unit = InstrumentFactory(place="lost")
        with pytest.raises(operations.NotAtTheShopError, match="is lost, not in the shop"):
            do(ask(programme, unit, "drop_off"))

    def test_twice_is_refused(self, programme, agreement):
        errand = ask(programme, instrument_of(agreement), "pick_up")
        do(errand, LocationFactory())
        with pytest.raises(errands.ErrandEndedError):
            do(errand, LocationFactory())
        assert WorkOrder.objects.count() == 1


class TestList:
    def test_the_driver_reads_initials_and_what_is_in_the_way(self, programme, agreement):
        unit = instrument_of(agreement)
        order = at_bench(unit)
        ask(programme, unit, "drop_off")
        (stop,) = queries.list_stops(today=TODAY)
        assert (stop.on, stop.lines[0].initials) == (datetime.date(2026, 9, 17), agreement.student.initials)
        assert stop.lines[0].waits_for == "Its work is not done: to look at"
        finish(order)
        assert queries.list_stops(today=TODAY)[0].lines[0].waits_for == ""

    def test_says_when_it_is_not_there_to_fetch(self, programme):
        ask(programme, InstrumentFactory(), "pick_up")
        assert queries.list_stops(today=TODAY)[0].lines[0].waits_for.startswith("Not there by the books")

    def test_screen_costs_the_same_for_many_and_names_nobody(self, client, programme, django_assert_max_num_queries):
        agreements = [rent(programme) for _ in range(6)]
        for agreement in agreements:
            ask(programme, instrument_of(agreement), "pick_up")
        with django_assert_max_num_queries(12):
            page = client.get(reverse("errands")).content.decode()
        assert "Thu, Sep 17, 2026" in page
        assert not any(agreement.household.name in page for agreement in agreements)

    def test_empty_says_where_to_begin(self, client):
        assert "to put it on the van" in client.get(reverse("errands")).content.decode()

    @pytest.mark.parametrize("school", ["x", "9" * 40, "\0"])
    def test_nonsense_in_the_address_is_survived(self, client, school):
        ErrandFactory()
        assert client.get(reverse("errands"), {"school": school}).status_code == 200


class TestScreens:
    def test_asks_at_the_instrument_with_what_is_likely(self, client, agreement, programme):
        address = reverse("errand_ask", args=["CL-1001"])
        form = client.get(address).context["form"]
        assert (form.initial["kind"], form.initial["school"]) == ("pick_up", programme.school_id)
        data = {"kind": "pick_up", "school": programme.school_id, "wanted_from": "2026-09-15", "what": "Bent key"}
        page = client.post(address, data, follow=True).content.decode()
        assert "list for Alder School, Thursday, September 17." in page
        refused = client.post(address, data)
        assert refused.status_code == 422
        assert "list already" in refused.content.decode()

    @pytest.mark.parametrize(
        ("changes", "said"),
        [
            ({"what": ""}, "Write what is wrong"),
            ({"wanted_from": "2026-09-01"}, "That day is past"),
            ({"school": ""}, "Choose the school"),
        ],
    )
    def test_says_what_is_missing_and_keeps_the_rest(self, client, agreement, programme, changes, said):
        data = {"kind": "pick_up", "school": programme.school_id, "wanted_from": "2026-09-15", "what": "Bent key"}
        answer = client.post(reverse("errand_ask", args=["CL-1001"]), data | changes)
        assert answer.status_code == 422
        assert said in answer.content.decode()
        assert not Errand.objects.exists()

    def test_ticked_done_and_called_off_and_taken_up_again(self, client, agreement, programme):
        unit = instrument_of(agreement)
        errand = ask(programme, unit, "pick_up")
        page = client.post(reverse("errand_call_off", args=[errand.pk]), follow=True).content.decode()
        assert "CL-1001 is off the list." in page
        client.post(reverse("errand_take_up", args=[errand.pk]))
        assert errands.get_open(unit) == errand
        client.post(reverse("errand_done", args=[errand.pk]), {"location": LocationFactory().pk})
        assert inventory.get_whereabouts(unit).place == "bench"

    def test_without_a_shop_the_screen_says_so(self, client, agreement, programme):
        errand = ask(programme, instrument_of(agreement), "pick_up")
        page = client.post(reverse("errand_done", args=[errand.pk]), {"location": ""}, follow=True).content.decode()
        assert "Choose the shop where it comes in" in page

    def test_the_specialist_may_the_bookkeeper_may_not(self, client_as, agreement):
        assert client_as("specialist").get(reverse("errands")).status_code == 200
        assert client_as("bookkeeper").get(reverse("errands")).status_code == 403

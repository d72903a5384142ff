"""The board: columns, ages, filters; how little it tells, and what it costs."""

import datetime

import pytest
from django.urls import reverse

from rentals.agreements import operations as agreements
from rentals.counter.bench import board
from rentals.inventory import operations as fleet
from rentals.inventory.models import WorkOrder
from rentals.runtime import clock
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, WorkOrderFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 9, 15)
NOW = datetime.datetime(2026, 9, 15, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture
def client(client_as, monkeypatch):
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    return client_as("technician")


def ago(days):
    return NOW - datetime.timedelta(days=days)


def cards(state="look", **narrowing):
    columns = board.list_columns(today=TODAY, **narrowing)
    return next(column.cards for column in columns if column.state == state)


class TestColumns:
    def test_every_open_state_has_its_column_in_the_order_of_the_work(self):
        assert list(board.COLUMNS) == [state for state in WorkOrder.State.values if state != "done"]

    def test_an_order_stands_in_the_column_of_its_state(self):
        order = WorkOrderFactory(opened_at=ago(1))
        assert [card.order for card in cards("look")] == [order]
        fleet.decide_payer(order=order, paid_by="shop", acting_user=order.opened_by, now=NOW)
        fleet.change_state(order=order, to="bench", acting_user=order.opened_by, now=NOW)
        assert (cards("look"), [card.order for card in cards("bench")]) == ([], [order])

    @pytest.mark.parametrize(
        ("days", "age", "note"),
        [
            (0, ("Today", "info"), ""),
            (1, ("1 day", "info"), ""),
            (6, ("6 days", "info"), ""),
            (7, ("7 days", "warn"), "slow"),
            (13, ("13 days", "warn"), "slow"),
            (14, ("14 days", "bad"), "too long"),
        ],
    )
    def test_age_is_told_in_words_and_tone(self, days, age, note):
        WorkOrderFactory(opened_at=ago(days))
        assert [(card.age, card.age_note) for card in cards()] == [(age, note)]

    @pytest.mark.parametrize(("days", "tone"), [(-1, "bad"), (0, "warn"), (1, "quiet")])
    def test_what_was_promised_says_when_it_is_late(self, days, tone):
        WorkOrderFactory(opened_at=ago(3), promised_on=TODAY + datetime.timedelta(days=days))
        assert cards()[0].promised[1] == tone

    def test_the_oldest_first(self):
        young, old = WorkOrderFactory(opened_at=ago(2)), WorkOrderFactory(opened_at=ago(9))
        assert [card.order for card in cards()] == [old, young]

    def test_narrowed_by_shop_and_by_who_works_on_it(self):
        other = LocationFactory(code="second", name="Second shop")
        here, there = WorkOrderFactory(), WorkOrderFactory(instrument=InstrumentFactory(place="bench", place__location=other))
        mine = TechnicianFactory()
        fleet.assign_order(order=there, assigned_to=mine, promised_on=None, acting_user=mine, now=NOW)
        assert [card.order for card in cards(location="second")] == [there]
        assert [card.order for card in cards(technician=str(mine.pk))] == [there]
        assert [card.order for card in cards(technician="nobody")] == [here]
        assert cards(location="second", technician="nobody") == []

    def test_who_has_it_by_initials_and_the_loaner_out(self):
        agreement = rent(None)
        unit, spare, technician = instrument_of(agreement), InstrumentFactory(item=agreement.item), TechnicianFactory()
        fleet.open_work_order(
            instrument=unit, kind="repair", problem="", location=LocationFactory(), acting_user=technician, now=ago(1)
        )
        agreements.assign_loaner(agreement=agreement, instrument=spare, acting_user=technician, now=NOW)
        (card,) = cards()
        assert (card.initials, card.loaner) == (agreement.student.initials, spare.asset_tag)


class TestScreen:
    def test_two_hundred_orders_cost_as_much_as_two_and_name_nobody(self, client, django_assert_max_num_queries):
        agreement = rent(None)
        fleet.open_work_order(
            instrument=instrument_of(agreement),
            kind="repair",
            problem="Sticks",
            location=LocationFactory(),
            acting_user=TechnicianFactory(),
            now=ago(2),
        )
        technician = TechnicianFactory()
        for _ in range(200):
            WorkOrderFactory(opened_by=technician, instrument__place__moved_by=technician)
        with django_assert_max_num_queries(12):
            page = client.get(reverse("bench_queue"))
        text = page.content.decode()
        assert page.context["count"] == 201
        assert agreement.household.name not in text
        assert agreement.student.given_name not in text

    def test_asked_for_by_itself_it_gives_the_columns_only(self, client):
        WorkOrderFactory()
        page = client.get(reverse("bench_queue"), headers={"HX-Request": "true"}).content.decode()
        assert "<html" not in page
        assert "board-column" in page

    @pytest.mark.parametrize(
        "query", [{"technician": "x"}, {"technician": "9" * 50}, {"location": "\0x"}, {"location": "nowhere"}]
    )
    def test_nonsense_in_the_address_is_survived(self, client, query):
        WorkOrderFactory()
        assert client.get(reverse("bench_queue"), query).status_code == 200

    def test_empty_says_why(self, client):
        assert "All done" in client.get(reverse("bench_queue")).content.decode()
        WorkOrderFactory()
        assert "Clear filters" in client.get(reverse("bench_queue"), {"technician": "999"}).content.decode()

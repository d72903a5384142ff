"""The chain of custody: moves taken back, how long each stay lasted, and what the instrument's page shows to whom."""

import datetime

import pytest
from django.urls import reverse

from rentals.inventory import operations, queries
from rentals.inventory.models import Custody, Hold
from rentals.inventory.queries import chain
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import HoldFactory, InstrumentFactory, LocationFactory, WorkOrderFactory
from tests.schools.factories import SchoolFactory

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
MINUTE = datetime.timedelta(minutes=1)
pytestmark = pytest.mark.django_db


def text_of(response):
    return " ".join(response.content.decode().split())


def move(unit, place, at=NOW, **keeper):
    keeper.setdefault("location", LocationFactory() if place in {"shelf", "bench"} else None)
    who = UserFactory(role="technician")
    return operations.move_by_hand(instrument=unit, place=place, reason="Sent over", acting_user=who, now=at, **keeper)


class TestUndoMove:
    def undo(self, custody, now=NOW + MINUTE):
        return operations.undo_move(custody=custody, acting_user=UserFactory(role="technician"), now=now)

    @pytest.mark.parametrize(
        ("place", "keeper"), [("bench", {}), ("lost", {}), ("school", {"school": SchoolFactory})], ids=["bench", "lost", "school"]
    )
    def test_goes_back_to_where_it_was_and_the_chain_shows_both(self, place, keeper):
        unit = InstrumentFactory()
        moved = move(unit, place, **{name: make() for name, make in keeper.items()})
        back = self.undo(moved)
        assert (back.place, back.location.name, back.reason) == ("shelf", "Main Street shop", "Undone: Sent over")
        assert [each.place for each in queries.list_custodies(unit)] == ["shelf", place, "shelf"]

    def test_refuses_one_that_has_gone_on_since(self):
        unit = InstrumentFactory()
        moved = move(unit, "bench")
        move(unit, "lost", NOW + MINUTE)
        with pytest.raises(operations.MoveNotUndoneError, match="nothing was changed"):
            self.undo(moved, NOW + 2 * MINUTE)
        assert queries.get_whereabouts(unit).place == "lost"

    def test_refuses_after_thirty_days(self):
        unit = InstrumentFactory()
        moved = move(unit, "bench")
        with pytest.raises(operations.MoveNotUndoneError):
            self.undo(moved, NOW + datetime.timedelta(days=31))

    def test_refuses_while_a_work_order_is_open_on_it(self):
        unit = InstrumentFactory()
        moved = move(unit, "bench")
        WorkOrderFactory(instrument=unit)
        with pytest.raises(operations.WorkOrderStillOpenError):
            self.undo(moved)

    def test_refuses_what_came_from_a_family(self):
        unit = InstrumentFactory(place="family", place__household=HouseholdFactory())
        moved = move(unit, "shelf")
        with pytest.raises(operations.MoveNotUndoneError):
            self.undo(moved)


class TestChain:
    def test_names_the_agreement_of_each_stay_with_a_family(self):
        agreement = AgreementFactory(unit=True)
        unit = agreement.units.get().instrument
        unit.custodies.update(began_at=agreement.units.get().began_at)
        move(unit, "bench")
        lines = chain.list_chain(queries.list_custodies(unit), chain.list_units(unit), NOW + datetime.timedelta(days=3))
        assert [(line.custody.place, line.unit and line.unit.agreement) for line in lines] == [
            ("bench", None),
            ("family", agreement),
        ]
        assert lines[0].lasted == "3 days"
        assert lines[1].initials == agreement.student.initials


class TestInstrumentPage:
    def page(self, client, unit, **query):
        return client.get(reverse("instrument", args=[unit.pk]), query)

    def test_stays_within_twelve_queries_with_a_long_history(self, client_as, django_assert_max_num_queries):
        agreement = AgreementFactory(unit=True)
        unit = agreement.units.get().instrument
        for day in range(30):
            place = "bench" if day % 2 else "shelf"
            Custody.objects.filter(instrument=unit, ended_at=None).update(ended_at=NOW + day * MINUTE)
            Custody.objects.create(
                instrument=unit, place=place, location=LocationFactory(), began_at=NOW + day * MINUTE, reason="To and fro",
                moved_by=UserFactory(role="technician"),
            )  # fmt: skip
        client = client_as("manager")
        with django_assert_max_num_queries(12):
            response = self.page(client, unit)
        assert len(response.context["chain"]) == 12
        assert len(self.page(client, unit, page=3).context["chain"]) == 7

    def test_a_technician_reads_initials_and_no_link_to_the_family(self, client_as):
        household = HouseholdFactory(name="Quillfeather")
        agreement = AgreementFactory(unit=True, household=household)
        unit = agreement.units.get().instrument
        theirs = text_of(self.page(client_as("technician"), unit))
        assert f"student {agreement.student.initials}" in theirs
        assert "Quillfeather" not in theirs
        assert reverse("household", args=[household.pk]) not in theirs
        assert reverse("agreement", args=[agreement.pk]) not in theirs
        ours = text_of(self.page(client_as("specialist"), unit))
        assert "Quillfeather" in ours
        assert reverse("agreement", args=[agreement.pk]) in ours

    def test_offers_to_move_what_is_in_hand_and_not_what_a_family_rents(self, client_as):
        client = client_as("manager")
        free, rented = InstrumentFactory(), AgreementFactory(unit=True).units.get().instrument
        assert reverse("instrument_move", args=[free.pk]) in text_of(self.page(client, free))
        assert reverse("instrument_move", args=[rented.pk]) not in text_of(self.page(client, rented))

    def test_moves_and_takes_back_by_its_buttons(self, client_as):
        unit, school = InstrumentFactory(), SchoolFactory()
        client = client_as("technician")
        sent = client.post(
            reverse("instrument_move", args=[unit.pk]), {"place": "school", "school": school.pk, "reason": "Band night"}
        )
        assert sent.status_code == 302
        here = unit.custodies.get(ended_at=None)
        assert (here.place, here.school) == ("school", school)
        undo = reverse("move_undo", args=[unit.pk, here.pk])
        assert undo in text_of(self.page(client, unit))
        assert "is on the shelf, Main Street shop again" in text_of(client.post(undo, follow=True))
        assert "has gone on since" in text_of(client.post(undo, follow=True))

    @pytest.mark.parametrize("place", ["nowhere", "lost", "sold", "retired", "bench"])
    def test_opens_from_wherever_it_is(self, client_as, place):
        assert self.page(client_as("manager"), InstrumentFactory(place=place)).status_code == 200
        assert client_as("manager").get(reverse("instruments")).status_code == 200

    def test_a_school_must_be_named(self, client_as):
        unit = InstrumentFactory()
        answer = client_as("technician").post(
            reverse("instrument_move", args=[unit.pk]), {"place": "school", "reason": "Band night"}
        )
        assert answer.status_code == 422
        assert "Choose the school that has it." in text_of(answer)


class TestHoldScreens:
    def test_holds_and_releases(self, client_as):
        unit = InstrumentFactory()
        client = client_as("specialist")
        url = reverse("instrument_hold", args=[unit.pk])
        assert client.post(url, {"reason": ""}).status_code == 422
        done = client.post(url, {"reason": "For H-00012"}, follow=True)
        assert "is held: nobody is offered it" in text_of(done)
        again = client.post(url, {"reason": "For H-00013"})
        assert (again.status_code, "held already: For H-00012" in text_of(again)) == (422, True)
        free = client.post(reverse("instrument_release", args=[unit.pk]), follow=True)
        assert "is free again" in text_of(free)
        assert "Nothing is left to do" in text_of(client.post(reverse("instrument_release", args=[unit.pk]), follow=True))
        assert Hold.objects.count() == 1

    def test_a_day_that_has_passed_is_said_beside_the_field(self, client_as):
        unit = InstrumentFactory()
        answer = client_as("specialist").post(
            reverse("instrument_hold", args=[unit.pk]), {"reason": "For H-00012", "held_until": "1/1/2020"}
        )
        assert "from tomorrow on" in str(answer.context["form"].errors["held_until"])

    def test_is_told_on_the_page(self, client_as):
        held = HoldFactory()
        shown = text_of(client_as("technician").get(reverse("instrument", args=[held.instrument_id])))
        assert "For the band night" in shown

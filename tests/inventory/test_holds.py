"""Instruments put aside: offered to nobody, on no agreement, and free again when released or when their day has come."""

import datetime

import pytest
from django.db import IntegrityError, transaction

from rentals.agreements import errors
from rentals.agreements import operations as agreements
from rentals.agreements.models import AgreementUnit
from rentals.inventory import operations, queries
from rentals.inventory.models import Hold
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.inventory.factories import HoldFactory, InstrumentFactory

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 3, 2)
pytestmark = pytest.mark.django_db


@pytest.fixture
def manager():
    return UserFactory(role="manager")


def hold(unit, manager, **changes):
    facts = {"instrument": unit, "reason": "For agreement A-000012", "held_until": None, "acting_user": manager}
    return operations.hold_instrument(**facts | {"now": NOW, "today": TODAY} | changes)


class TestHoldInstrument:
    def test_is_offered_to_nobody_until_released(self, manager):
        unit = InstrumentFactory()
        kind = unit.item.kind_id
        assert unit in queries.find_available(kind)
        made = hold(unit, manager)
        assert unit not in queries.find_available(kind)
        assert queries.get_hold(unit) == made
        ended = operations.release_hold(instrument=unit, acting_user=manager, now=NOW)
        assert (ended.ended_at, ended.ended_by) == (NOW, manager)
        assert unit in queries.find_available(kind)

    def test_refuses_a_second_hold_and_says_why_it_is_held(self, manager):
        unit = HoldFactory().instrument
        with pytest.raises(operations.InstrumentHeldError, match="held already: For the band night"):
            hold(unit, manager)

    @pytest.mark.parametrize("place", ["lost", "sold", "retired"])
    def test_refuses_what_the_shop_does_not_have(self, manager, place):
        with pytest.raises(operations.NothingToHoldError, match=place):
            hold(InstrumentFactory(place=place), manager)

    def test_refuses_one_that_a_family_rents(self, manager):
        unit = AgreementFactory(unit=True).units.get().instrument
        with pytest.raises(operations.InstrumentOnAgreementError):
            hold(unit, manager)

    @pytest.mark.parametrize("days", [0, -1])
    def test_refuses_a_day_on_which_it_would_be_free_at_once(self, manager, days):
        with pytest.raises(operations.HoldEndsTooSoonError):
            hold(InstrumentFactory(), manager, held_until=TODAY + datetime.timedelta(days=days))
        assert not Hold.objects.exists()

    def test_ends_with_the_instrument_leaving_the_shop(self, manager):
        unit = HoldFactory().instrument
        operations.move_by_hand(instrument=unit, place="lost", reason="Gone", acting_user=manager, now=NOW)
        assert queries.get_hold(unit) is None

    def test_goes_along_to_the_bench(self, manager):
        made = HoldFactory()
        there = queries.get_whereabouts(made.instrument).custody.location
        operations.move_by_hand(
            instrument=made.instrument, place="bench", location=there, reason="A look", acting_user=manager, now=NOW
        )
        assert queries.get_hold(made.instrument) == made


class TestReleaseDueHolds:
    def test_lets_go_on_the_day_and_not_before(self, manager):
        tomorrow = TODAY + datetime.timedelta(days=1)
        due, later, without = (HoldFactory(held_until=day) for day in (tomorrow, tomorrow + datetime.timedelta(days=1), None))
        assert operations.release_due_holds(acting_user=manager, now=NOW, today=TODAY) == 0
        assert operations.release_due_holds(acting_user=manager, now=NOW, today=tomorrow) == 1
        assert operations.release_due_holds(acting_user=manager, now=NOW, today=tomorrow) == 0
        assert set(Hold.objects.filter(ended_at=None)) == {later, without}
        assert queries.get_hold(due.instrument) is None

    def test_releasing_what_is_not_held_says_that_nothing_is_left_to_do(self, manager):
        with pytest.raises(operations.InstrumentNotHeldError, match="Nothing is left to do"):
            operations.release_hold(instrument=InstrumentFactory(), acting_user=manager, now=NOW)


class TestHeldStayOffAgreements:
    def test_a_loaner_is_refused_with_the_next_one_like_it(self, manager):
        held = HoldFactory().instrument
        other = InstrumentFactory(item=held.item)
        with pytest.raises(errors.InstrumentHeldError, match=f"For the band night.*The next one like it is {other.asset_tag}"):
            agreements.assign_loaner(agreement=AgreementFactory(), instrument=held, acting_user=manager, now=NOW)

    def test_the_database_refuses_it_whoever_asks(self):
        held, agreement = HoldFactory().instrument, AgreementFactory()
        with pytest.raises(IntegrityError, match="is held"), transaction.atomic():
            AgreementUnit.objects.create(agreement=agreement, instrument=held, role="loaner", began_at=NOW)

    def test_the_database_refuses_to_hold_what_is_on_an_agreement(self):
        unit = AgreementFactory(unit=True).units.get().instrument
        with pytest.raises(IntegrityError, match="cannot be held"), transaction.atomic():
            HoldFactory(instrument=unit)

    def test_the_database_keeps_one_open_hold_with_its_reason(self):
        held = HoldFactory().instrument
        with pytest.raises(IntegrityError, match="hold_one_open"), transaction.atomic():
            HoldFactory(instrument=held)
        with pytest.raises(IntegrityError, match="hold_says_why"), transaction.atomic():
            HoldFactory(reason="")

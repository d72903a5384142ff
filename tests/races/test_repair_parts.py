"""Eight technicians take the last pieces of one part at the same moment."""

import datetime
import threading

import pytest
from django.db import transaction

from rentals.inventory import operations
from rentals.inventory.models import RepairPart, WorkLine, WorkOrder
from rentals.staff.models import User
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, RepairPartFactory, WorkOrderFactory

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
MANY, ON_HAND = 8, 3


@pytest.fixture
def drawer(transactional_db):
    """Three pads in the drawer, eight orders that want one each, one technician."""
    RepairPartFactory(sku="pad", on_hand=ON_HAND)
    return [WorkOrderFactory(state="bench").pk for _ in range(MANY)], TechnicianFactory().pk


def taker(order_id, user_id):
    def take():
        return operations.use_part(
            order=WorkOrder.objects.get(pk=order_id),
            part=RepairPart.objects.get(pk="pad"),
            quantity=1,
            acting_user=User.objects.get(pk=user_id),
            now=NOW,
        )

    return take


def careless_taker(meet):
    """The same without the condition: look, meet the others, then write what was seen less one."""

    def take():
        with transaction.atomic():
            seen = RepairPart.objects.get(pk="pad").on_hand
            meet()
            if seen < 1:
                return "none"
            RepairPart.objects.filter(pk="pad").update(on_hand=seen - 1)
            return "taken"

    return take


class TestLastPieces:
    def test_as_many_as_there_are_get_one_and_the_others_are_told(self, drawer, race):
        orders, user = drawer
        outcomes = race(*(taker(order, user) for order in orders))
        taken = [outcome for outcome in outcomes if isinstance(outcome, WorkLine)]
        short = [outcome for outcome in outcomes if isinstance(outcome, operations.PartsShortError)]
        assert (len(taken), len(short)) == (ON_HAND, MANY - ON_HAND), outcomes
        assert RepairPart.objects.get().on_hand == 0
        assert WorkLine.objects.count() == ON_HAND

    def test_looked_first_and_written_after_more_are_taken_than_there_were(self, drawer, race):
        meeting = threading.Barrier(MANY)
        outcomes = race(*(careless_taker(lambda: meeting.wait(timeout=20)) for _ in range(MANY)))
        assert outcomes.count("taken") == MANY > ON_HAND
        assert RepairPart.objects.get().on_hand == ON_HAND - 1


class TestOneOrder:
    def test_closed_by_two_at_once_it_is_closed_once(self, transactional_db, race):
        order, user = WorkOrderFactory(state="bench"), TechnicianFactory().pk

        def close():
            return operations.close_work_order(
                order=WorkOrder.objects.get(pk=order.pk), work_done="New pad", acting_user=User.objects.get(pk=user), now=NOW
            )

        outcomes = race(close, close)
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["WorkOrder", "WorkOrderClosedError"]

    def test_changed_by_two_who_saw_the_same_one_is_told_of_the_other(self, transactional_db, race):
        order, user = WorkOrderFactory(), TechnicianFactory().pk

        def change(to):
            def run():
                return operations.change_state(
                    order=WorkOrder.objects.get(pk=order.pk),
                    to=to,
                    acting_user=User.objects.get(pk=user),
                    now=NOW,
                    version=order.version,
                )

            return run

        outcomes = race(change("bench"), change("parts"))
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["WorkOrder", "WorkOrderChangedError"]
        assert order.happened.count() == 1

    def test_opened_by_two_at_once_there_is_one(self, transactional_db, race):
        unit, shop, user = InstrumentFactory(), LocationFactory(), TechnicianFactory()

        def open_one():
            return operations.open_work_order(
                instrument=unit, kind="repair", problem="Leaks", location=shop, acting_user=user, now=NOW
            )

        outcomes = race(open_one, open_one)
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["WorkOrder", "WorkOrderAlreadyOpenError"]

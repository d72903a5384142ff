"""Two people receive at the same moment: into one series of tags, and the same instruments."""

import datetime
import threading
import uuid
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from rentals.inventory.models import CatalogueItem, Delivery, Instrument, TagSeries
from rentals.inventory.operations import deliveries as operations
from rentals.staff.models import User
from tests.factories import UserFactory
from tests.inventory.factories import CatalogueItemFactory, LocationFactory

NOW = datetime.datetime(2026, 8, 3, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture
def receiver(transactional_db):
    item, place, user = CatalogueItemFactory(), LocationFactory(), UserFactory(role="technician")

    def make(serials, key=None):
        def receive():
            return operations.receive_delivery(
                facts=operations.DeliveryFacts("", "", place, NOW.date()),
                lines=[
                    operations.DeliveryLine(
                        item=CatalogueItem.objects.select_related("kind").get(pk=item.pk),
                        pieces=len(serials),
                        grade="new",
                        cost=Decimal(300),
                        serials=tuple(serials),
                    )
                ],
                request_key=key or uuid.uuid4(),
                acting_user=User.objects.get(pk=user.pk),
                now=NOW,
            )

        return receive

    make.item = item
    return make


class TestOneSeries:
    def test_no_tag_is_given_twice_and_none_is_left_out(self, receiver, race):
        outcomes = race(receiver([f"A{n}" for n in range(20)]), receiver([f"B{n}" for n in range(20)]))
        assert all(isinstance(outcome, Delivery) for outcome in outcomes), outcomes
        tags = sorted(Instrument.objects.values_list("asset_tag", flat=True))
        assert tags == [f"CL-{number:04d}" for number in range(1, 41)]
        assert TagSeries.objects.get(kind="clarinet").next_number == 41

    def test_without_the_lock_both_would_take_the_same(self, receiver, race):
        meet = threading.Barrier(2, timeout=10).wait

        def careless():
            with transaction.atomic():
                series = TagSeries.objects.get(kind="clarinet")
                meet()
                TagSeries.objects.filter(pk=series.pk).update(next_number=series.next_number + 1)
                tag = f"CL-{series.next_number:04d}"
                return Instrument.objects.create(asset_tag=tag, item_id=receiver.item.pk, acquired_on=NOW.date())

        outcomes = race(careless, careless)
        assert sum(isinstance(outcome, IntegrityError) for outcome in outcomes) == 1, outcomes


class TestTheSameInstruments:
    def test_one_is_received_and_the_other_is_told_which_row(self, receiver, race):
        outcomes = race(receiver(["A1", "A2"]), receiver(["A2", "A1"]))
        won = [outcome for outcome in outcomes if isinstance(outcome, Delivery)]
        lost = [outcome for outcome in outcomes if isinstance(outcome, operations.DeliveryRefusedError)]
        assert (len(won), len(lost)) == (1, 1), outcomes
        assert all(problem.instrument and problem.instrument.delivery_id == won[0].pk for problem in lost[0].problems)
        assert Instrument.objects.count() == 2

    def test_the_same_form_from_two_tabs_makes_one(self, receiver, race):
        key = uuid.uuid4()
        outcomes = race(receiver(["A1"], key), receiver(["A1"], key))
        assert len({outcome.pk for outcome in outcomes}) == 1, outcomes
        assert Delivery.objects.count() == Instrument.objects.count() == 1

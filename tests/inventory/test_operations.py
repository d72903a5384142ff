"""What may be done to an instrument, and what the database refuses whoever asks."""

import datetime
from decimal import Decimal

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction

from rentals.inventory import operations, queries, rules
from rentals.inventory.models import Custody, Instrument, WorkOrder
from tests.factories import UserFactory
from tests.inventory.factories import (
    RECEIVED_AT,
    CatalogueItemFactory,
    InstrumentFactory,
    LocationFactory,
    WorkOrderFactory,
)

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
pytestmark = pytest.mark.django_db


@pytest.fixture
def technician():
    return UserFactory(role="technician")


def receive(technician, **changes):
    facts = {
        "asset_tag": "fl-1042",
        "serial_number": "88123",
        "item": changes.pop("item", None) or CatalogueItemFactory(kind_code="flute"),
        "grade": "new",
        "cost": Decimal("310.00"),
        "acquired_on": datetime.date(2026, 3, 1),
        "location": LocationFactory(),
        "acting_user": technician,
        "now": NOW,
    }
    return operations.receive_instrument(**facts | changes)


class TestReceiveInstrument:
    def test_puts_it_on_the_shelf_under_its_normalised_tag(self, technician):
        instrument = receive(technician)
        assert instrument.asset_tag == "FL-1042"
        here = queries.get_whereabouts(instrument)
        assert (here.place, here.keeper, here.since) == ("shelf", "Main Street shop", NOW)

    def test_refuses_a_tag_that_is_taken(self, technician):
        first = receive(technician)
        with pytest.raises(operations.AssetTagTakenError, match="FL-1042 is already on another instrument"):
            receive(technician, asset_tag=" FL-1042 ", serial_number="2", item=first.item)
        assert Instrument.objects.count() == 1

    def test_refuses_the_same_serial_number_of_the_same_model(self, technician):
        first = receive(technician)
        with pytest.raises(operations.SerialNumberTakenError, match="88123"):
            receive(technician, asset_tag="FL-1043", item=first.item)

    def test_takes_any_number_without_serial_numbers(self, technician):
        first = receive(technician, serial_number="")
        receive(technician, asset_tag="FL-1043", serial_number="", item=first.item)
        assert Instrument.objects.count() == 2

    def test_refuses_what_is_no_tag(self, technician):
        with pytest.raises(rules.BadAssetTagError):
            receive(technician, asset_tag="#!")


class TestMoveInstrument:
    def test_closes_where_it_was_and_opens_where_it_is(self, technician):
        instrument = InstrumentFactory()
        other = LocationFactory(code="west", name="West side shop")
        operations.move_instrument(
            instrument=instrument, place="shelf", location=other, reason="Sent over", acting_user=technician, now=NOW
        )
        newest, oldest = queries.list_custodies(instrument)
        assert (newest.location, newest.began_at, newest.ended_at, newest.moved_by) == (other, NOW, None, technician)
        assert oldest.ended_at == NOW

    def test_refuses_the_impossible_and_says_what_is_possible(self, technician):
        instrument = InstrumentFactory(place="lost")
        with pytest.raises(operations.InstrumentNotThereError) as refused:
            operations.move_instrument(instrument=instrument, place="sold", reason="", acting_user=technician, now=NOW)
        assert str(refused.value) == (
            f"{instrument.asset_tag} is lost and cannot go from there to: sold. "
            "It can go to the shelf, to the shop or into retirement."
        )
        assert refused.value.possible == ("shelf", "bench", "retired")

    def test_refuses_the_shelf_it_already_stands_on(self, technician):
        instrument = InstrumentFactory()
        with pytest.raises(operations.InstrumentNotThereError, match="is already on the shelf"):
            operations.move_instrument(
                instrument=instrument, place="shelf", location=LocationFactory(), reason="", acting_user=technician, now=NOW
            )

    def test_what_is_sold_stays_sold(self, technician):
        instrument = InstrumentFactory(place="sold")
        with pytest.raises(operations.InstrumentNotThereError, match="left the shop for good"):
            operations.move_instrument(
                instrument=instrument, place="shelf", location=LocationFactory(), reason="", acting_user=technician, now=NOW
            )

    def test_stays_in_the_shop_while_work_is_open(self, technician):
        order = WorkOrderFactory()
        with pytest.raises(operations.WorkOrderStillOpenError, match="close it first"):
            operations.move_instrument(
                instrument=order.instrument,
                place="shelf",
                location=LocationFactory(),
                reason="",
                acting_user=technician,
                now=NOW,
            )

    def test_refuses_a_move_before_the_last_one(self, technician):
        instrument = InstrumentFactory()
        before = RECEIVED_AT - datetime.timedelta(minutes=1)
        with pytest.raises(operations.MoveBeforeLastMoveError):
            operations.move_instrument(instrument=instrument, place="lost", reason="", acting_user=technician, now=before)


class TestWorkOrders:
    def test_opening_takes_the_instrument_to_the_bench(self, technician):
        instrument = InstrumentFactory()
        order = operations.open_work_order(
            instrument=instrument,
            kind="repair",
            problem="Pads leak",
            location=LocationFactory(),
            acting_user=technician,
            now=NOW,
        )
        here = queries.get_whereabouts(instrument)
        assert (here.place, here.custody.reason) == ("bench", "Repair: Pads leak")
        assert queries.get_open_work_order(instrument) == order

    def test_there_is_one_at_a_time(self, technician):
        order = WorkOrderFactory(problem="A key sticks")
        with pytest.raises(operations.WorkOrderAlreadyOpenError, match="A key sticks"):
            operations.open_work_order(
                instrument=order.instrument,
                kind="repair",
                problem="Another",
                location=LocationFactory(),
                acting_user=technician,
                now=NOW,
            )

    def test_closing_says_what_was_done_and_by_whom(self, technician):
        order = operations.close_work_order(order=WorkOrderFactory(), work_done="New pad", acting_user=technician, now=NOW)
        order.refresh_from_db()
        assert (order.closed_at, order.closed_by, order.work_done) == (NOW, technician, "New pad")
        with pytest.raises(operations.WorkOrderClosedError):
            operations.close_work_order(order=order, work_done="Again", acting_user=technician, now=NOW)

    def test_closing_a_cleaning_is_noted_on_the_instrument(self, technician):
        order = WorkOrderFactory(kind="cleaning")
        operations.close_work_order(order=order, work_done="Cleaned", acting_user=technician, now=NOW)
        assert Instrument.objects.get(pk=order.instrument_id).last_cleaned_on == datetime.date(2026, 3, 2)


class TestRecordCleaning:
    def test_moves_the_due_date_a_year_on(self, technician):
        instrument = InstrumentFactory(acquired_on=datetime.date(2024, 2, 29))
        assert list(queries.list_cleanings_due(datetime.date(2026, 3, 2))) == [instrument]
        operations.record_cleaning(instrument=instrument, cleaned_on=datetime.date(2026, 3, 2), acting_user=technician, now=NOW)
        assert not queries.list_cleanings_due(datetime.date(2027, 3, 1)).exists()
        assert list(queries.list_cleanings_due(datetime.date(2027, 3, 2))) == [instrument]

    def test_is_kept_as_a_work_order_done(self, technician):
        instrument = InstrumentFactory()
        operations.record_cleaning(instrument=instrument, cleaned_on=datetime.date(2026, 3, 2), acting_user=technician, now=NOW)
        assert [order.kind for order in WorkOrder.objects.filter(instrument=instrument, closed_at=NOW)] == ["cleaning"]

    def test_an_older_cleaning_never_hides_a_newer(self, technician):
        instrument = InstrumentFactory(last_cleaned_on=datetime.date(2026, 1, 1))
        operations.record_cleaning(instrument=instrument, cleaned_on=datetime.date(2025, 1, 1), acting_user=technician, now=NOW)
        instrument.refresh_from_db()
        assert instrument.last_cleaned_on == datetime.date(2026, 1, 1)

    def test_lost_ones_are_not_due(self):
        InstrumentFactory(place="lost", acquired_on=datetime.date(2020, 1, 1))
        assert not queries.list_cleanings_due(datetime.date(2026, 3, 2)).exists()


class TestChangeInstrument:
    def change(self, instrument, technician, **changes):
        facts = {
            "instrument": instrument,
            "version": instrument.version,
            "asset_tag": instrument.asset_tag,
            "serial_number": instrument.serial_number,
            "item": instrument.item,
            "grade": "worn",
            "cost": instrument.cost,
            "acquired_on": instrument.acquired_on,
            "notes": "",
            "acting_user": technician,
        }
        return operations.change_instrument(**facts | changes)

    def test_changes_what_it_is_given_and_counts_the_version(self, technician):
        instrument = InstrumentFactory()
        self.change(instrument, technician, notes="Dent in the bell")
        instrument.refresh_from_db()
        assert (instrument.grade, instrument.notes, instrument.version) == ("worn", "Dent in the bell", 2)

    def test_refuses_to_write_over_somebody_elses_change(self, technician):
        instrument = InstrumentFactory()
        self.change(instrument, technician, notes="First")
        with pytest.raises(operations.InstrumentChangedError) as refused:
            self.change(instrument, technician, notes="Second")
        assert refused.value.current.notes == "First"


class TestFindAvailable:
    def test_offers_what_stands_on_a_shelf_best_grade_first(self):
        item = CatalogueItemFactory(kind_code="violin", size="1/2")
        worn, new = InstrumentFactory(item=item, grade="worn"), InstrumentFactory(item=item, grade="new")
        InstrumentFactory(item=item, place="bench")
        InstrumentFactory(item=CatalogueItemFactory(kind_code="violin", size="3/4"))
        assert list(queries.find_available("violin", size="1/2")) == [new, worn]

    def test_by_location_and_tier(self):
        west = LocationFactory(code="west", name="West side shop")
        item = CatalogueItemFactory(tier="advanced")
        there = InstrumentFactory(item=item, place__location=west)
        InstrumentFactory(item=item)
        assert list(queries.find_available("clarinet", tier="advanced", location="west")) == [there]
        assert not queries.find_available("clarinet", tier="beginner").exists()

    def test_costs_one_query(self, django_assert_num_queries):
        InstrumentFactory()
        with django_assert_num_queries(1):
            [str(unit.item.kind) for unit in queries.find_available("clarinet")]


class TestTags:
    def test_is_found_however_it_was_scanned(self):
        instrument = InstrumentFactory(asset_tag="FL-1042")
        assert queries.get_by_tag("]C1fl-1042\r\n") == instrument
        assert queries.get_by_tag("??") is None

    def test_near_ones_for_a_typing_error(self):
        near, far = InstrumentFactory(asset_tag="FL-1042"), InstrumentFactory(asset_tag="TB-9977")
        assert queries.list_near_tags("FL-1024") == [near]
        assert far not in queries.list_near_tags("FL-1042")


class TestTheDatabaseRefuses:
    """Invariant 5, past every line of Python."""

    def insert(self, instrument, began, ended):
        with connection.cursor() as cursor, transaction.atomic():
            cursor.execute(
                "INSERT INTO inventory_custody (instrument_id, place, location_id, began_at, ended_at, reason, moved_by_id) "
                "VALUES (%s, 'shelf', 'main', %s, %s, 'By hand', %s)",
                [instrument.pk, began, ended, UserFactory().pk],
            )

    def test_two_places_at_once(self):
        instrument = InstrumentFactory()
        with pytest.raises(IntegrityError) as refused:
            self.insert(instrument, NOW, NOW + datetime.timedelta(days=1))
        assert isinstance(refused.value.__cause__, psycopg.errors.ExclusionViolation)
        assert refused.value.__cause__.diag.constraint_name == "instrument_in_one_place"

    def test_two_open_custodies_even_of_no_length(self):
        instrument = InstrumentFactory(place="nowhere")
        LocationFactory()
        self.insert(instrument, RECEIVED_AT, None)
        with connection.cursor() as cursor, transaction.atomic():
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        with pytest.raises(IntegrityError) as refused:
            self.insert(instrument, NOW, None)
        assert refused.value.__cause__.diag.constraint_name in {"custody_one_open", "instrument_in_one_place"}

    def test_the_one_open_rule_stands_without_the_exclusion(self):
        with connection.cursor() as cursor:
            cursor.execute("SELECT indexdef FROM pg_indexes WHERE indexname = 'custody_one_open'")
            (definition,) = cursor.fetchone()
        assert "UNIQUE" in definition
        assert "(ended_at IS NULL)" in definition

    def test_a_custody_without_its_keeper(self):
        instrument = InstrumentFactory(place="nowhere")
        with connection.cursor() as cursor, pytest.raises(IntegrityError, match="custody_place_has_its_keeper"):
            cursor.execute(
                "INSERT INTO inventory_custody (instrument_id, place, began_at, reason, moved_by_id) "
                "VALUES (%s, 'family', %s, 'By hand', %s)",
                [instrument.pk, NOW, UserFactory().pk],
            )

    def test_meeting_spans_are_fine(self):
        instrument = InstrumentFactory(place="nowhere")
        LocationFactory()
        self.insert(instrument, RECEIVED_AT, NOW)
        self.insert(instrument, NOW, None)
        assert Custody.objects.filter(instrument=instrument).count() == 2

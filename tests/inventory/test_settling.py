"""Differences of a stock count settled: each once, as it was seen, with the move that follows; and what the database refuses."""

import psycopg
import pytest
from django.db import connection

from rentals.inventory.models import CountSettlement, Custody
from rentals.inventory.operations import counts, move_by_hand
from rentals.inventory.operations.settling import Pick, settle, settle_one
from rentals.inventory.queries.counts import get_missing_mark, list_missing, reconcile
from tests.agreements.factories import AgreementFactory
from tests.factories import ManagerFactory, TechnicianFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.count_cases import minutes, opened, scan
from tests.inventory.factories import InstrumentFactory, LocationFactory


def picks(count, at=60):
    return [Pick.read(each.key) for each in reconcile(count, minutes(at)).open_differences]


def settled(count, how, at=30, reason="Looked twice", **more):
    return settle(
        count=count, picks=picks(count, at), how=how, reason=reason, acting_user=TechnicianFactory(), now=minutes(at), **more
    )


def place(unit):
    custody = Custody.objects.get(instrument=unit, ended_at=None)
    return custody.place, custody.location_id, custody.reason


@pytest.mark.django_db
class TestSettle:
    def test_a_missing_one_is_marked_as_lost_with_a_reason_that_names_the_count(self):
        unit, count = InstrumentFactory(), opened()
        assert len(settled(count, "lost").done) == 1
        assert place(unit) == ("lost", None, f"Count {count.pk} of Main Street shop: Looked twice")
        assert reconcile(count, minutes(60)).open_differences == []

    def test_a_missing_one_found_at_another_shop_goes_to_its_shelf(self):
        unit, count = InstrumentFactory(), opened()
        north = LocationFactory(code="north", name="North shop")
        settled(count, "moved_there", location=north)
        assert place(unit)[:2] == ("shelf", "north")

    def test_one_from_another_shop_stays_here(self):
        unit = InstrumentFactory(place__location=LocationFactory(code="north", name="North shop"))
        count = opened()
        scan(count, unit.asset_tag)
        settled(count, "moved_here")
        assert place(unit)[:2] == ("shelf", "main")

    def test_many_at_once_and_what_cannot_be_is_said_and_left(self):
        free = InstrumentFactory(place="family", place__household=HouseholdFactory())
        sold = InstrumentFactory(place="sold")
        rented = AgreementFactory(unit=True).units.get().instrument
        count = opened()
        scan(count, free.asset_tag, sold.asset_tag, rented.asset_tag)
        result = settled(count, "moved_here")
        assert [each.instrument for each in result.done] == [free]
        assert len(result.refused) == 2
        assert any("which still runs" in sentence for sentence in result.refused)
        assert any("cannot be settled as" in sentence for sentence in result.refused)
        assert len(picks(count)) == 2

    def test_nothing_is_settled_twice(self):
        InstrumentFactory()
        count = opened()
        seen = picks(count)
        settled(count, "lost")
        again = settle(count=count, picks=seen, how="lost", reason="x", acting_user=TechnicianFactory(), now=minutes(31))
        assert again.done == []
        assert "not as you saw it any more" in again.refused[0]
        assert CountSettlement.objects.count() == 1

    def test_what_was_scanned_or_moved_meanwhile_is_not_settled_as_it_was_seen(self):
        first, second, count = InstrumentFactory(), InstrumentFactory(), opened()
        seen = picks(count)
        scan(count, first.asset_tag)
        move_by_hand(instrument=second, place="lost", reason="x", acting_user=TechnicianFactory(), now=minutes(5))
        result = settle(count=count, picks=seen, how="left", reason="x", acting_user=TechnicianFactory(), now=minutes(9))
        assert (len(result.done), len(result.refused)) == (0, 2)

    def test_one_that_was_left_may_still_be_settled_otherwise(self):
        unit, count = InstrumentFactory(), opened()
        (pick,) = picks(count)
        settled(count, "left")
        facts = {"count": count, "pick": pick, "acting_user": TechnicianFactory(), "reason": "Gone", "now": minutes(40)}
        assert settle_one(**facts, how="lost").how == "lost"
        assert place(unit)[0] == "lost"
        assert CountSettlement.objects.count() == 1

    def test_a_shop_is_not_another_shop(self):
        InstrumentFactory()
        count = opened()
        assert settled(count, "moved_there", location=count.location).done == []
        assert settled(count, "moved_there").done == []

    @pytest.mark.parametrize("key", ["", "missing", "missing--", "nonsense-1-2", "missing-x-1", "missing-1-2-3", "missing--٣x"])
    def test_a_pick_that_is_none_is_not_read(self, key):
        assert Pick.read(key) is None


@pytest.mark.django_db
class TestMissing:
    def left(self, unit):
        count = opened()
        settled(count, "left")
        counts.close_count(count=count, acting_user=ManagerFactory(), now=minutes(45))
        return get_missing_mark(unit)

    def test_one_not_seen_and_left_is_missing_since_that_count(self):
        unit = InstrumentFactory()
        mark = self.left(unit)
        assert (mark.instrument, mark.settled_at) == (unit, minutes(30))
        assert [each.instrument for each in list_missing()] == [unit]

    def test_found_by_a_move_it_is_missing_no_more(self):
        unit = InstrumentFactory()
        self.left(unit)
        move_by_hand(
            instrument=unit,
            place="bench",
            location=LocationFactory(),
            reason="Found",
            acting_user=TechnicianFactory(),
            now=minutes(50),
        )
        assert get_missing_mark(unit) is None

    def test_seen_by_a_later_count_it_is_missing_no_more(self):
        unit = InstrumentFactory()
        self.left(unit)
        later = counts.open_count(
            location=LocationFactory(), acting_user=TechnicianFactory(), now=minutes(60), request_key="0" * 31 + "1"
        )
        scan(later, unit.asset_tag, at=61)
        assert get_missing_mark(unit) is None

    def test_a_count_called_off_concludes_nothing(self):
        unit, count = InstrumentFactory(), opened()
        settled(count, "left")
        counts.call_off_count(count=count, reason="Wrong shop", acting_user=ManagerFactory(), now=minutes(40))
        assert get_missing_mark(unit) is None


class TestTheDatabase:
    """Raw statements, with the application's rights."""

    @pytest.fixture
    def closed(self, transactional_db):
        InstrumentFactory(asset_tag="FL-1")
        count = opened()
        scan(count, "FL-1", "NO-1")
        counts.close_count(count=count, acting_user=ManagerFactory(), now=minutes(5), leave_rest="Known")
        connection.close()
        return count

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE inventory_stockcount SET note = 'x'",
            "UPDATE inventory_stockcount SET closed_at = NULL, closed_by_id = NULL, outcome = ''",
            "DELETE FROM inventory_stockcount",
            "UPDATE inventory_countscan SET undone_at = now(), undone_by_id = scanned_by_id",
            "UPDATE inventory_countscan SET code = 'X'",
            "DELETE FROM inventory_countscan",
            "UPDATE inventory_countsettlement SET reason = 'x'",
            "DELETE FROM inventory_countsettlement",
            "INSERT INTO inventory_countscan (client_id, count_id, code, told, device, scanned_at, received_at, scanned_by_id) "
            "SELECT gen_random_uuid(), count_id, 'NEW', 'ok', '', now(), now(), scanned_by_id FROM inventory_countscan LIMIT 1",
        ],
    )
    def test_refuses_to_change_a_closed_count(self, closed, app_cursor, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(statement)

    def test_refuses_a_second_open_count_of_a_shop(self, transactional_db, app_cursor):
        opened()
        with pytest.raises(psycopg.errors.UniqueViolation):
            app_cursor.execute(
                "INSERT INTO inventory_stockcount (location_id, kinds, note, opened_at, opened_by_id, outcome, closing_words) "
                "SELECT location_id, kinds, '', now(), opened_by_id, '', '' FROM inventory_stockcount"
            )

    def test_refuses_to_count_an_instrument_twice(self, transactional_db, app_cursor):
        InstrumentFactory(asset_tag="FL-1")
        scan(opened(), "FL-1")
        with pytest.raises(psycopg.errors.UniqueViolation):
            app_cursor.execute(
                "INSERT INTO inventory_countscan "
                "(client_id, count_id, code, told, device, scanned_at, received_at, scanned_by_id, instrument_id) "
                "SELECT gen_random_uuid(), count_id, code, told, '', now(), now(), scanned_by_id, instrument_id "
                "FROM inventory_countscan"
            )

    def test_two_people_settle_the_same_and_one_move_is_made(self, transactional_db, race):
        unit, count = InstrumentFactory(), opened()
        (pick,) = picks(count)
        who = [TechnicianFactory(), TechnicianFactory()]

        def go(user):
            return lambda: settle(count=count, picks=[pick], how="lost", reason="x", acting_user=user, now=minutes(9))

        first, second = race(go(who[0]), go(who[1]))
        assert sorted([len(first.done), len(second.done)]) == [0, 1]
        assert Custody.objects.filter(instrument=unit, place="lost").count() == 1

    def test_two_people_scan_the_same_and_it_counts_once(self, transactional_db, race):
        InstrumentFactory(asset_tag="FL-1")
        count = opened()
        who = [TechnicianFactory(), TechnicianFactory()]
        told = race(lambda: scan(count, "FL-1", user=who[0], device="a"), lambda: scan(count, "FL-1", user=who[1], device="b"))
        assert sorted(each.verdict.value for (each,) in told) == ["already", "ok"]

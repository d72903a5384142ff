"""Two people move the same instrument at the same moment."""

import datetime
import uuid

import pytest
from django.db import IntegrityError, transaction

from rentals.inventory import operations
from rentals.inventory.models import Custody, ImportDraft, Instrument, MoveBatch
from rentals.inventory.operations import batches, imports
from rentals.staff.models import User
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, MoveBatchFactory
from tests.inventory.test_fleet_import import FLUTE, VIOLIN, csv_of

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
CONSTRAINTS = ["instrument_in_one_place", "custody_one_open"]


@pytest.fixture
def unit(transactional_db):
    return InstrumentFactory()


def mover(unit_id, place, user_id):
    def move():
        return operations.move_instrument(
            instrument=Instrument.objects.get(pk=unit_id),
            place=place,
            reason="Race",
            acting_user=User.objects.get(pk=user_id),
            now=NOW,
        )

    return move


def careless_mover(unit_id, place, user_id, meet):
    """The same without the lock: look, meet the other one, then write."""

    def move():
        with transaction.atomic():
            here = Custody.objects.get(instrument=unit_id, ended_at=None)
            meet()
            Custody.objects.filter(pk=here.pk).update(ended_at=NOW)
            return Custody.objects.create(instrument_id=unit_id, place=place, began_at=NOW, reason="Race", moved_by_id=user_id)

    return move


class TestTwoMovesAtOnce:
    def test_exactly_one_wins_and_the_other_is_told_where_it_went(self, unit, race):
        user = UserFactory(role="technician")
        outcomes = race(mover(unit.pk, "sold", user.pk), mover(unit.pk, "sold", user.pk))
        won = [outcome for outcome in outcomes if isinstance(outcome, Custody)]
        lost = [outcome for outcome in outcomes if isinstance(outcome, operations.InstrumentNotThereError)]
        assert (len(won), len(lost)) == (1, 1), outcomes
        assert lost[0].place == "sold"
        assert Custody.objects.filter(instrument=unit, ended_at=None).count() == 1

    def test_without_the_lock_the_database_still_refuses_the_second(self, unit, race, barrier):
        user = UserFactory(role="technician")
        outcomes = race(careless_mover(unit.pk, "sold", user.pk, barrier), careless_mover(unit.pk, "lost", user.pk, barrier))
        assert sum(isinstance(outcome, Custody) for outcome in outcomes) == 1
        assert sum(isinstance(outcome, IntegrityError) for outcome in outcomes) == 1

    def test_without_lock_and_constraints_it_would_be_in_two_places(self, unit, race, barrier, owner_cursor):
        user = UserFactory(role="technician")
        definitions = without_constraints(owner_cursor)
        try:
            race(careless_mover(unit.pk, "sold", user.pk, barrier), careless_mover(unit.pk, "lost", user.pk, barrier))
            assert Custody.objects.filter(instrument=unit, ended_at=None).count() == 2
        finally:
            Custody.objects.filter(instrument=unit, place="lost").delete()
            for statement in definitions:
                owner_cursor.execute(statement)


def scanner(batch_id, tag, user_id):
    def scan():
        return batches.scan_into(
            batch=MoveBatch.objects.get(pk=batch_id),
            code=tag,
            client_id=uuid.uuid4(),
            acting_user=User.objects.get(pk=user_id),
            now=NOW,
        )

    return scan


class TestTwoRoundsAtOnce:
    def test_one_moves_it_and_the_other_is_told_that_it_is_there(self, transactional_db, race):
        unit, user = InstrumentFactory(place="bench"), UserFactory(role="technician")
        rounds = [MoveBatchFactory(), MoveBatchFactory()]
        outcomes = race(*(scanner(each.pk, unit.asset_tag, user.pk) for each in rounds))
        verdicts = sorted(getattr(outcome, "verdict", repr(outcome)) for outcome in outcomes)
        assert verdicts in (["already", "moved"], ["moved", "wrong"]), outcomes
        assert Custody.objects.filter(instrument=unit, ended_at=None, place="shelf").count() == 1
        assert unit.custodies.count() == 2


@pytest.fixture
def barrier():
    import threading

    return threading.Barrier(2, timeout=10).wait


def without_constraints(cursor):
    """Drop both rules of custody; return the statements that bring them back."""
    cursor.execute("SELECT pg_get_constraintdef(oid) FROM pg_constraint WHERE conname = 'instrument_in_one_place'")
    (exclusion,) = cursor.fetchone()
    cursor.execute("SELECT indexdef FROM pg_indexes WHERE indexname = 'custody_one_open'")
    (one_open,) = cursor.fetchone()
    cursor.execute("ALTER TABLE inventory_custody DROP CONSTRAINT instrument_in_one_place")
    cursor.execute("DROP INDEX custody_one_open")
    return [f"ALTER TABLE inventory_custody ADD CONSTRAINT instrument_in_one_place {exclusion}", one_open]


class TestTheSameSpreadsheetTwiceAtOnce:
    def test_is_taken_in_once_and_the_other_is_told(self, transactional_db, race):
        LocationFactory()
        user = UserFactory(role="manager")
        draft = imports.keep_draft(file_name="fleet.csv", content=csv_of(FLUTE, VIOLIN), acting_user=user, now=NOW)

        def take_in():
            return imports.import_fleet(
                draft=ImportDraft.objects.get(pk=draft.pk), acting_user=User.objects.get(pk=user.pk), now=NOW
            )

        outcomes = race(take_in, take_in)
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["FileTakenInError", "FleetImport"], outcomes
        assert Instrument.objects.count() == 2

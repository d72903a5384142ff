"""Runs as the database keeps them: an open load an instrument, outcomes with their facts, nothing changed once a run is over."""

import datetime

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction

from schools.models import Load, Run, Spot, Stop
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import LoadFactory, RunFactory, SchoolFactory, StopFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)

pytestmark = pytest.mark.django_db


def raw(sql, *values):
    """Run SQL as it would come from outside Django; return the name of the constraint or the words of the trigger it breaks."""
    with pytest.raises(IntegrityError) as refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, values)
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    assert isinstance(refused.value.__cause__, psycopg.Error)
    return refused.value.__cause__.diag.constraint_name or str(refused.value)


def end(run):
    Run.objects.filter(pk=run.pk).update(state="done", left_at=NOW, ended_at=NOW, ended_by=run.driver)


def close(load):
    Load.objects.filter(pk=load.pk).update(outcome="left_out", handed_at=NOW, handed_by=load.run.driver, closed_at=NOW)


class TestOneOpenLoad:
    def test_an_instrument_is_on_one_run_at_a_time(self):
        load, stop = LoadFactory(), StopFactory()
        sql = "INSERT INTO schools_load (run_id, stop_id, instrument_id, task, what, was_at, outcome, receiver, strokes, words) "
        sql += "VALUES (%s, %s, %s, 'deliver', '', '', '', '', '', '')"
        assert raw(sql, stop.run_id, stop.pk, load.instrument_id) == "load_one_open_per_instrument"

    def test_may_go_along_again_once_accounted_for(self):
        load = LoadFactory()
        close(load)
        assert LoadFactory(instrument=load.instrument).pk != load.pk

    def test_goes_with_the_run_of_its_stop(self):
        load = LoadFactory()
        assert "run of its stop" in raw("UPDATE schools_load SET run_id = %s WHERE id = %s", RunFactory().pk, load.pk)


class TestOutcome:
    @pytest.mark.parametrize(
        ("sets", "refused_by"),
        [
            ("outcome = 'delivered'", "load_ended_by_someone"),
            (
                "outcome = 'not_there', words = 'Sick', handed_at = now(), handed_by_id = {who}, closed_at = now()",
                "load_outcome_fits_its_task",
            ),
            ("outcome = 'fetched', {loaded}, handed_at = now(), handed_by_id = {who}", "load_outcome_fits_its_task"),
            (
                "outcome = 'delivered', {loaded}, handed_at = now(), handed_by_id = {who}, closed_at = now()",
                "load_handed_to_someone",
            ),
            (
                "outcome = 'safe_place', {loaded}, handed_at = now(), handed_by_id = {who}, closed_at = now()",
                "load_outcome_says_where_or_why",
            ),
            ("outcome = 'not_delivered', {loaded}, handed_at = now(), handed_by_id = {who}", "load_outcome_says_where_or_why"),
            (
                "outcome = 'delivered', receiver = 'A', handed_at = now(), handed_by_id = {who}, closed_at = now()",
                "load_outcome_fits_its_task",
            ),
            ("loaded_at = now()", "load_loaded_by_someone"),
            ("closed_at = now()", "load_ended_by_someone"),
        ],
    )
    def test_has_its_facts(self, sets, refused_by):
        load = LoadFactory()
        loaded = f"loaded_at = now(), loaded_by_id = {load.run.driver_id}, was_at = 'shelf'"
        sql = f"UPDATE schools_load SET {sets.format(who=load.run.driver_id, loaded=loaded)} WHERE id = %s"
        assert raw(sql, load.pk) == refused_by


class TestRunThatIsOver:
    def test_is_not_over_while_something_is_not_accounted_for(self):
        load = LoadFactory()
        sql = "UPDATE schools_run SET state = 'done', left_at = now(), ended_at = now(), ended_by_id = %s WHERE id = %s"
        assert "not accounted for" in raw(sql, load.run.driver_id, load.run_id)

    @pytest.mark.parametrize(
        "sql",
        [
            "UPDATE schools_run SET notes = 'later' WHERE id = %(run)s",
            "UPDATE schools_run SET state = 'under_way', ended_at = NULL, ended_by_id = NULL WHERE id = %(run)s",
            "DELETE FROM schools_run WHERE id = %(run)s",
            "UPDATE schools_stop SET address = 'elsewhere' WHERE run_id = %(run)s",
            "DELETE FROM schools_stop WHERE run_id = %(run)s",
            "UPDATE schools_load SET outcome = 'not_there', words = 'x' WHERE run_id = %(run)s",
            "DELETE FROM schools_load WHERE run_id = %(run)s",
            "UPDATE schools_load SET run_id = %(other)s WHERE run_id = %(run)s",
            'INSERT INTO schools_stop (run_id, "order", pinned, kind, school_id, name, address, postal_code, contact, safe_place)'
            " VALUES (%(run)s, 31000, '', 'school', %(school)s, '', '', '', '', '')",
        ],
    )
    def test_changes_no_more(self, sql):
        load = LoadFactory()
        close(load)
        end(load.run)
        values = {"run": load.run_id, "other": RunFactory().pk, "school": SchoolFactory().pk}
        with (
            pytest.raises(IntegrityError, match=r"the run is over|run of its stop"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(sql, values)

    def test_takes_no_new_load(self):
        stop = StopFactory()
        end(stop.run)
        with pytest.raises(IntegrityError, match="the run is over"), transaction.atomic():
            Load.objects.create(run=stop.run, stop=stop, instrument=InstrumentFactory(), task="deliver")


class TestStops:
    def test_two_may_change_places_but_not_stand_in_one(self):
        first, second = (run := RunFactory()) and (StopFactory(run=run, order=1), StopFactory(run=run, order=2))
        with transaction.atomic():
            Stop.objects.filter(pk=first.pk).update(order=2)
            Stop.objects.filter(pk=second.pk).update(order=1)
        assert raw('UPDATE schools_stop SET "order" = 1 WHERE id = %s', first.pk) == "stop_order_once"

    def test_is_at_a_school_or_a_family(self):
        stop = StopFactory()
        assert raw("UPDATE schools_stop SET school_id = NULL WHERE id = %s", stop.pk) == "stop_is_at_a_school_or_a_family"
        assert raw("UPDATE schools_stop SET kind = 'home' WHERE id = %s", stop.pk) == "stop_is_at_a_school_or_a_family"


class TestSpot:
    def test_lies_on_the_globe_and_belongs_to_one_place(self):
        spot = Spot.objects.create(
            school=SchoolFactory(), latitude="40.1", longitude="-88.2", written_at=NOW, written_by=UserFactory()
        )
        assert raw("UPDATE schools_spot SET latitude = 90.1 WHERE id = %s", spot.pk) == "spot_on_the_globe"
        assert raw("UPDATE schools_spot SET longitude = -180.5 WHERE id = %s", spot.pk) == "spot_on_the_globe"
        assert raw("UPDATE schools_spot SET school_id = NULL WHERE id = %s", spot.pk) == "spot_of_one_place"

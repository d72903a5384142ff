"""Tests run under the rights that the application has in real life, and no more."""

import os

import psycopg
import pytest
from django.contrib.contenttypes.models import ContentType
from django.db import ProgrammingError, connection

pytestmark = pytest.mark.core


def current(cursor) -> tuple[str, str, str]:
    cursor.execute("SELECT current_user, current_setting('is_superuser'), current_database()")
    return cursor.fetchone()


class TestTheApplicationsRole:
    def test_is_neither_superuser_nor_owner(self, db):
        with connection.cursor() as cursor:
            user, superuser, database = current(cursor)
            cursor.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public' AND tableowner = %s", [user])
            assert (user, superuser, cursor.fetchone()[0]) == ("office_app", "off", 0)
            assert database.startswith("test_")

    @pytest.mark.parametrize(
        "statement",
        [
            "DROP TABLE django_session",
            "ALTER TABLE django_session ADD COLUMN more text",
            "TRUNCATE django_session",
            "CREATE TABLE more (id int)",
            "ALTER TABLE django_session DISABLE TRIGGER ALL",
            "SET session_replication_role TO replica",
        ],
    )
    def test_cannot_change_what_tables_are(self, db, statement):
        with pytest.raises(ProgrammingError, match=r"permission denied|must be owner"), connection.cursor() as cursor:
            cursor.execute(statement)

    def test_can_read_and_write_rows(self, db):
        made = ContentType.objects.create(app_label="nowhere", model="nothing")
        assert ContentType.objects.get(pk=made.pk).model == "nothing"


class TestAfterATransactionalTest:
    @pytest.mark.parametrize("turn", [1, 2])
    def test_rows_are_gone_and_rights_are_the_same(self, transactional_db, turn):
        assert not ContentType.objects.filter(app_label="left behind").exists()
        ContentType.objects.create(app_label="left behind", model="thing")
        with connection.cursor() as cursor:
            assert current(cursor)[0] == "office_app"
            cursor.execute("SHOW session_replication_role")
            assert cursor.fetchone()[0] == "origin"


class TestRawCursors:
    def test_belong_to_the_owner_and_to_the_application(self, owner_cursor, app_cursor):
        assert current(owner_cursor)[:2] == ("office_owner", "on")
        assert current(app_cursor)[:2] == ("office_app", "off")
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            app_cursor.execute("TRUNCATE django_session")


class TestRace:
    def test_gives_each_runner_its_own_connection_and_keeps_exceptions(self, race):
        def pid() -> int:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_backend_pid()")
                return cursor.fetchone()[0]

        def fails() -> None:
            raise LookupError("on purpose")

        first, second, third = race(pid, pid, fails)
        assert first != second
        assert isinstance(third, LookupError)


def test_the_run_has_its_own_state_folder():
    assert os.environ["OFFICE_STATE_DIR"].endswith("test")

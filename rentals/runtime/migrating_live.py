"""Migrating while the office works: no migration keeps anybody waiting for longer than two seconds, or it is taken back.

From its first change on, a migration's transaction has a second and a half for everything, waiting for locks included, because
whoever comes after a waiting migration waits behind it; the rest is for ending it and for their own work. What did not get
through is rolled back and tried again after a pause. Building an index CONCURRENTLY and validating a constraint keep nobody
waiting and may take their time.
"""

import re
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.contrib.postgres.operations import AddIndexConcurrently
from django.core.management import CommandError
from django.db import OperationalError
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations import Migration
from django.db.migrations.recorder import MigrationRecorder

LIMIT = 1.5
"""Seconds that a migration may keep others waiting."""
LONG = 600.0
"""Seconds for what keeps nobody waiting, and for another `migrate` to end."""
PAUSES = (1.0, 2.0, 4.0, 8.0)
"""Seconds between attempts: one attempt more than there are pauses."""
TAKEN_BACK = {"55P03", "57014", "40P01"}
"""What PostgreSQL says when a lock was not to be had, a statement took too long, or two waited for each other."""
TURN = "office.migrate"
PATIENT = re.compile(
    r"\s*(CREATE (UNIQUE )?INDEX CONCURRENTLY\b|DROP INDEX CONCURRENTLY\b|ALTER TABLE \S+ VALIDATE CONSTRAINT \S+\s*$)",
    re.IGNORECASE,
)
READING = re.compile(r"\s*(SELECT|SHOW|SAVEPOINT|RELEASE|SET)\b", re.IGNORECASE)
IN_THE_WAY = """
SELECT pid, coalesce(nullif(application_name, ''), usename, 'the database itself') || ' (process ' || pid || ' of the database'
       || coalesce(', ' || state || ' for ' || extract(epoch FROM clock_timestamp() - xact_start)::int || ' s', '') || ')'
  FROM pg_stat_activity WHERE pid = ANY (pg_blocking_pids(%s))
"""
"""What a session does, and since when, is shown to whoever may see it: a superuser, or the session's own role."""


class MigrationInTheWayError(CommandError):
    """A migration would keep the working office waiting, and was taken back."""


class TooLongError(OperationalError):
    """A migration is at work longer than it may."""


class Limits:
    """Gives each statement of a connection the time that its transaction has left. An execute wrapper of Django's."""

    def __init__(self, connection: BaseDatabaseWrapper) -> None:
        self.connection, self.began = connection, 0.0

    def __call__(self, execute: Callable[..., Any], statement: Any, params: Any, many: bool, context: Any) -> Any:
        words = str(statement).strip().rstrip(";")
        alone, several = not self.connection.in_atomic_block, ";" in words
        patient = PATIENT.match(words) is not None and not several
        if alone:
            self.began = 0.0
        if not self.began and not patient and (several or not READING.match(words)):
            self.began = time.monotonic()
            if not alone:
                self.connection.on_commit(self.end)
        left = LIMIT - (time.monotonic() - self.began) if self.began else LIMIT
        if left <= 0:
            raise TooLongError(f"more than {LIMIT:g} seconds since its first change")
        self.allow(waits=LONG if patient and alone else left, works=left if self.began else LONG)
        return execute(statement, params, many, context)

    def end(self) -> None:
        """Begin anew with the next transaction."""
        self.began = 0.0

    def allow(self, *, waits: float, works: float) -> None:
        """Set how many seconds a statement may wait for a lock, and take in all."""
        figures = [f"{max(1, round(seconds * 1000))}ms" for seconds in (waits, works)]
        self.connection.connection.execute(
            "SELECT set_config('lock_timeout', %s, false), set_config('statement_timeout', %s, false)", figures
        )


@contextmanager
def limited(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Hold all statements inside to the limits, and put the connection's own settings back."""
    connection.ensure_connection()
    limits = Limits(connection)
    try:
        with connection.execute_wrapper(limits):
            yield
    finally:
        if connection.connection is not None and not connection.connection.closed:
            connection.connection.execute(
                "SELECT set_config('lock_timeout', NULL, false), set_config('statement_timeout', NULL, false)"
            )


@contextmanager
def watching(connection: BaseDatabaseWrapper) -> Iterator[dict[int, str]]:
    """See, on a connection of its own, who keeps this one waiting; give them as they come, by process."""
    seen: dict[int, str] = {}
    done = threading.Event()
    pid = connection.connection.info.backend_pid

    def look() -> None:
        other = connection.copy()
        try:
            while not done.wait(0.2):
                with other.cursor() as cursor:
                    cursor.execute(IN_THE_WAY, [pid])
                    seen.update(cursor.fetchall())
        finally:
            other.close()

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    try:
        yield seen
    finally:
        done.set()
        thread.join()


def attempt(connection: BaseDatabaseWrapper, migration: Migration, do: Callable[[], Any], tell: Callable[[str], None]) -> Any:
    """Migrate one step under the limits, several times if need be. Raises MigrationInTheWayError; then nothing of it is left."""
    pauses = iter(PAUSES)
    while True:
        clear_away(connection, migration)
        try:
            with limited(connection), watching(connection) as seen:
                return do()
        except OperationalError as error:
            if not isinstance(error, TooLongError) and getattr(error.__cause__, "sqlstate", "") not in TAKEN_BACK:
                raise
            pause = next(pauses, None)
            if pause is None:
                clear_away(connection, migration)
                raise MigrationInTheWayError(in_the_way(migration, list(seen.values()))) from error
            who = ", ".join(seen.values()) or "its own work takes too long"
            tell(f" taken back ({who}); tried again in {pause:g} s ...")
            time.sleep(pause)


def in_the_way(migration: Migration, who: list[str]) -> str:
    """Say why a migration did not get through, and what to do."""
    if who:
        return (
            f"{migration} did not get its locks in {len(PAUSES) + 1} attempts of {LIMIT:g} seconds: {', '.join(who)} held them. "
            "Nothing of it was kept, and the office works on as before. Let that end (or end it, as the database's owner: "
            "SELECT pg_terminate_backend(PROCESS)), then give `python3 manage.py migrate` again; it goes on with this one."
        )
    return (
        f"{migration} takes longer than the {LIMIT:g} seconds that a working office may be kept waiting. Nothing of it was kept. "
        "Stop the office and give `python3 manage.py migrate --office-stopped`, or cut the migration into smaller ones."
    )


def clear_away(connection: BaseDatabaseWrapper, migration: Migration) -> None:
    """Drop the indexes that an attempt cut short has left: of a migration that is not on record there is nothing to keep."""
    if migration.atomic or (migration.app_label, migration.name) in MigrationRecorder(connection).applied_migrations():
        return
    for operation in migration.operations:
        if isinstance(operation, AddIndexConcurrently):
            name = connection.ops.quote_name(operation.index.name)
            with connection.cursor() as cursor:
                cursor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {name}")


def has_history(connection: BaseDatabaseWrapper) -> bool:
    """Return whether this database was migrated before: on a bare one there is nobody to keep waiting."""
    return bool(MigrationRecorder(connection).applied_migrations())


@contextmanager
def taking_turns(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Let one `migrate` of a database go after the other. Raises MigrationInTheWayError after ten minutes.

    The lock is asked for again and again: who waited in a statement would be waited for by an index built CONCURRENTLY.
    """
    until, told = time.monotonic() + LONG, False
    with connection.cursor() as cursor:
        while True:
            cursor.execute("SELECT pg_try_advisory_lock(hashtextextended(%s, 0))", [TURN])
            if cursor.fetchone()[0]:
                break
            if time.monotonic() > until:
                raise MigrationInTheWayError(
                    "Another migrate of this database has been at work for ten minutes. Nothing was touched."
                )
            if not told:
                sys.stderr.write("Another migrate of this database is at work; this one waits for it.\n")
                told = True
            time.sleep(0.3)
    try:
        yield
    finally:
        if connection.connection is not None and not connection.connection.closed:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(hashtextextended(%s, 0))", [TURN])

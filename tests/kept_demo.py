"""The demonstration, loaded once in a run and brought back for whoever asks for it again on the same day.

Its rows are kept in a schema beside, as `tests/emptying.py` keeps those of the migrations. Numbers only rise, so that those kept
are never given out again; files stay where they lie.
"""

import io
import time
from typing import Any

import psycopg
from django.core.management import call_command

from rentals.runtime import clock
from rentals.runtime.statistics import refresh_statistics
from tests import emptying

UNDER_WAY = """
SELECT EXISTS (SELECT FROM jobs_jobrun WHERE state = 'running')
    OR EXISTS (SELECT FROM documents_outboxmessage WHERE state = 'sending')
"""


def load_demo(opened: psycopg.Connection[Any], *, households: int) -> None:
    """Have the demonstration in the empty database. `opened` is the owner's connection, each statement its own transaction."""
    beside = f"demo_{households}_{clock.today():%Y%m%d}"
    if opened.execute("SELECT to_regnamespace(%s)", [beside]).fetchone() == (None,):
        call_command("load_demo", households=households, stdout=io.StringIO())
        ends = time.monotonic() + 60
        while not keep(opened, beside):
            assert time.monotonic() < ends, "the office's processes are always in the middle of something"
            time.sleep(0.1)
    else:
        bring_back(opened, beside)
        refresh_statistics()


def keep(opened: psycopg.Connection[Any], beside: str) -> bool:
    """Keep all rows as they are at one moment; return False where the office's processes are in the middle of something."""
    with opened.transaction():
        opened.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        if opened.execute(UNDER_WAY).fetchone() == (True,):
            return False
        opened.execute(f"CREATE SCHEMA {beside}")
        for table, columns in tables(opened):
            opened.execute(f'CREATE TABLE {beside}."{table}" AS SELECT {columns} FROM public."{table}"')
    return True


def bring_back(opened: psycopg.Connection[Any], beside: str) -> None:
    """Put the kept rows in place of those that the migrations left, past the triggers that keep the books from that."""
    with opened.transaction():
        opened.execute("SET LOCAL session_replication_role TO replica")
        found = tables(opened)
        opened.execute("TRUNCATE " + ", ".join(f'public."{table}"' for table, _ in found))
        for table, columns in found:
            rows = f'SELECT {columns} FROM {beside}."{table}"'
            opened.execute(f'INSERT INTO public."{table}" ({columns}) OVERRIDING SYSTEM VALUE {rows}')


def tables(opened: psycopg.Connection[Any]) -> list[tuple[str, str]]:
    """Return every table with the names of its columns, those left out that the database reckons."""
    names = [str(name) for name, _ in opened.execute(emptying.TABLES).fetchall()]
    return [(name, str(opened.execute(emptying.COLUMNS, [name]).fetchone()[0])) for name in names]  # type: ignore[index]

"""Back to a moment between a good row and a mistake, by the words of DEVELOPERS.md, with a real server and its own log."""

import time

import psycopg
import pytest

from tests.runtime.backups.archiving import Site, archiving_site, blocks

MOMENT = "2026-11-28 14:05:00-06"


def test_a_table_dropped_by_mistake_comes_back_as_it_was_the_moment_before():
    settings, weekly, going_back, going_on = blocks()
    assert "archive_command" in settings
    with archiving_site() as site:
        with site.connect() as office:
            office.execute("CREATE TABLE drill (what text PRIMARY KEY)")
            office.execute("INSERT INTO drill VALUES ('in the base backup')")
            office.execute("CREATE TABLE beside (what text)")
        site.run(weekly)
        with site.connect() as office:
            office.execute("INSERT INTO drill VALUES ('a good row')")
            office.execute("INSERT INTO beside VALUES ('a good row')")
            time.sleep(0.1)
            between = str(office.execute("SELECT clock_timestamp()").fetchone()[0])
            time.sleep(0.1)
            office.execute("DROP TABLE drill")
            office.execute("CREATE TABLE after_the_mistake ()")
        site.server.leave()

        assert MOMENT in going_back
        site.run(going_back.replace(MOMENT, between))
        halts_there(site)
        site.run(going_on)
        with site.connect() as office:
            assert rows(office, "drill") == ["a good row", "in the base backup"]
            office.execute("INSERT INTO drill VALUES ('afterwards')")
            (gone,) = office.execute("SELECT to_regclass('after_the_mistake')").fetchone()
        assert gone is None
        assert {path.name[:8] for path in site.archive.glob("0*.history")} == {"00000002"}, "it archives on, beside the old log"


def halts_there(site: Site) -> None:
    """Hold that everybody may look and nobody may write yet, and that what the mistake had locked does not answer."""
    with site.connect() as office:
        limit = time.monotonic() + 30
        while office.execute("SELECT pg_get_wal_replay_pause_state()").fetchone() != ("paused",):
            assert time.monotonic() < limit
            time.sleep(0.05)
        assert rows(office, "beside") == ["a good row"]
        with pytest.raises(psycopg.errors.ReadOnlySqlTransaction):
            office.execute("INSERT INTO beside VALUES ('too early')")
        office.execute("SET lock_timeout = '100ms'")
        with pytest.raises(psycopg.errors.LockNotAvailable):
            rows(office, "drill")


def rows(office: psycopg.Connection, table: str) -> list[str]:
    return [what for (what,) in office.execute(f"SELECT what FROM {table} ORDER BY what")]

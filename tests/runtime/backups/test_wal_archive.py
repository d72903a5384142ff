"""Archiving PostgreSQL's log: by a real server that is killed between copying a segment and noting it."""

import datetime
import os
import signal

import pytest

from rentals.runtime import wal_archive
from rentals.runtime.backups.log_archive import why_behind
from rentals.runtime.servers import wait_gone
from tests.runtime.backups.archiving import archiving_site, wait_for


class TestArchive:
    def test_copies_whole_and_leaves_nothing_else(self, tmp_path):
        segment, place = tmp_path / "segment", tmp_path / "000000010000000000000001"
        segment.write_bytes(os.urandom(1 << 16))
        assert wal_archive.archive(segment, place) == ""
        assert place.read_bytes() == segment.read_bytes()
        assert sorted(path.name for path in tmp_path.iterdir()) == [place.name, "segment"]

    def test_accepts_what_lies_there_with_the_same_bytes(self, tmp_path):
        (tmp_path / "segment").write_bytes(b"same")
        (tmp_path / "place").write_bytes(b"same")
        assert wal_archive.archive(tmp_path / "segment", tmp_path / "place") == ""

    def test_never_overwrites_other_bytes(self, tmp_path):
        (tmp_path / "segment").write_bytes(b"ours")
        (tmp_path / "place").write_bytes(b"else")
        assert "with other bytes" in wal_archive.archive(tmp_path / "segment", tmp_path / "place")
        assert (tmp_path / "place").read_bytes() == b"else"

    def test_says_when_the_archive_is_away(self, tmp_path):
        (tmp_path / "segment").write_bytes(b"ours")
        assert "could not be archived" in wal_archive.archive(tmp_path / "segment", tmp_path / "away" / "place")


@pytest.fixture(scope="class")
def site():
    with archiving_site() as site, site.connect() as connection:
        connection.execute("CREATE TABLE drill (n int)")
        yield site


class TestServer:
    def test_goes_on_after_it_was_killed_before_noting_a_segment(self, site):
        """The state such a kill leaves: the segment lies in the archive, its `.ready` mark says that it does not."""
        postgres = site.server
        with site.connect() as connection:
            name = switched(connection)
        status = postgres.data / "pg_wal" / "archive_status"
        wait_for((status / f"{name}.done").exists)
        assert (site.archive / name).exists()
        pid = postgres._pid()
        os.kill(pid, signal.SIGKILL)
        assert wait_gone(pid, seconds=30)
        (status / f"{name}.done").rename(status / f"{name}.ready")
        postgres.use()
        with site.connect() as connection:
            following = switched(connection)
            wait_for((site.archive / following).exists)
            (failed,) = connection.execute("SELECT failed_count FROM pg_stat_archiver").fetchone()
        assert failed == 0

    def test_an_archive_that_is_away_or_late_is_said_until_it_is_well_again(self, site):
        with site.connect() as connection:
            assert why_behind(connection.cursor()) == ""
            away = site.archive.rename(site.archive.with_name("away"))
            name = switched(connection)
            wait_for(lambda: f"could not be archived ({name})" in why_behind(connection.cursor()))
            away.rename(site.archive)
            wait_for(lambda: why_behind(connection.cursor()) == "")
            late = why_behind(connection.cursor(), late=datetime.timedelta(0))
        assert "see that archive_timeout" in late


@pytest.mark.django_db
def test_a_server_that_keeps_no_archive_is_not_late(app_cursor):
    assert why_behind(app_cursor, late=datetime.timedelta(0)) == ""


def switched(connection) -> str:
    connection.execute("INSERT INTO drill VALUES (1)")
    (name,) = connection.execute("SELECT pg_walfile_name(pg_switch_wal())").fetchone()
    return name

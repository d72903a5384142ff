"""Archiving PostgreSQL's log: by a real server that is killed between copying a segment and noting it."""

import os
import shutil
import signal
import sys
import time
from pathlib import Path

import psycopg
import pytest

from rentals.runtime import places, wal_archive
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import wait_gone

SCRIPT = Path(wal_archive.__file__)


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


class TestServer:
    @pytest.fixture
    def server(self):
        """A server that archives, in a folder that whichever account it runs as can enter."""
        place = places.PROJECT / ".state" / "test" / f"wal-{os.getpid()}"
        place.mkdir(mode=0o711, parents=True)
        archive = place / "archive"
        archive.mkdir()
        archive.chmod(0o777)
        copied = place / "wal_archive.py"  # where any account can read it
        copied.write_text(SCRIPT.read_text())
        server = Postgres(place / "postgres")
        server.use()
        with psycopg.connect(server.url_for("office_owner"), autocommit=True) as connection:
            connection.execute("ALTER SYSTEM SET archive_mode = on")
            command = f'{python_for_all()} {copied} "%p" {archive}/%f'
            connection.execute(f"ALTER SYSTEM SET archive_command = '{command}'")
        server.leave()
        server.use()
        yield server, archive
        server.leave()
        shutil.rmtree(place)

    def test_goes_on_after_it_was_killed_before_noting_a_segment(self, server):
        """The state such a kill leaves: the segment lies in the archive, its `.ready` mark says that it does not."""
        postgres, archive = server
        with psycopg.connect(postgres.url_for("office_owner"), autocommit=True) as connection:
            connection.execute("CREATE TABLE drill (n int)")
            name = switched(connection)
            status = postgres.data / "pg_wal" / "archive_status"
            wait_for((status / f"{name}.done").exists)
            assert (archive / name).exists()
        pid = postgres._pid()
        os.kill(pid, signal.SIGKILL)
        assert wait_gone(pid, seconds=30)
        (status / f"{name}.done").rename(status / f"{name}.ready")
        postgres.use()
        with psycopg.connect(postgres.url_for("office_owner"), autocommit=True) as connection:
            following = switched(connection)
            wait_for((archive / following).exists)
            (failed,) = connection.execute("SELECT failed_count FROM pg_stat_archiver").fetchone()
        assert failed == 0


def python_for_all() -> Path:
    """Find a Python that the server's own account may run: as root the tests run its server as nobody."""
    candidates = [Path(sys.executable).resolve(), Path("/usr/bin/python3"), Path("/usr/local/bin/python3")]
    return next(path for path in candidates if path.exists() and (os.geteuid() != 0 or places.open_to_others(path.parent)))


def switched(connection) -> str:
    connection.execute("INSERT INTO drill VALUES (1)")
    (name,) = connection.execute("SELECT pg_walfile_name(pg_switch_wal())").fetchone()
    return name


def wait_for(ready, seconds: float = 60) -> None:
    limit = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < limit, "the server did not archive in time"
        time.sleep(0.05)

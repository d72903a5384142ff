"""A PostgreSQL of a test's own that archives its log as DEVELOPERS.md says, and the commands that stand there."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

from rentals.runtime import places, wal_archive
from rentals.runtime.postgres import OWNER, Postgres, clean_environment

SECTION = "### To any minute"


def blocks() -> list[str]:
    """Return the blocks of settings and commands that DEVELOPERS.md gives for going back to any minute, in their order."""
    text = (places.PROJECT / "DEVELOPERS.md").read_text()
    section = text.partition(SECTION)[2].partition("\n## ")[0]
    return section.split("```\n")[1::2]


class Site:
    """Where the server stands, and where its log goes: a folder that whichever account it runs as can enter."""

    def __init__(self, place: Path) -> None:
        self.elsewhere, self.recovered = place / "elsewhere", place / "recovered"
        self.archive = self.elsewhere / "wal"
        self.archive.mkdir(parents=True)
        self._script = place / "wal_archive.py"  # where any account can read it
        self._script.write_text(Path(wal_archive.__file__).read_text())
        for folder in (place, self.elsewhere, self.archive):
            folder.chmod(0o777)
        self.server = Postgres(place / "postgres")

    def start(self, settings: str) -> None:
        """Start the server with these settings behind its own."""
        self.server.use()
        self.server.leave()
        own = {"listen_addresses": "", "unix_socket_directories": self.server.sockets, "unix_socket_permissions": "0700"}
        with (self.server.data / "postgresql.conf").open("a") as file:
            file.writelines(f"\n{name} = '{value}'" for name, value in own.items())
            file.write("\n" + self.placed(settings))
        self.server.use()

    def connect(self) -> psycopg.Connection:
        """Connect as the owner; each statement commits."""
        return psycopg.connect(self.server.owner_url, autocommit=True)

    def placed(self, block: str) -> str:
        """Put this site's places where a block names those of an office."""
        for said, here in (
            ("python3 /srv/office/rentals/runtime/wal_archive.py", f"{python_for_all()} {self._script}"),
            ("/mnt/elsewhere", str(self.elsewhere)),
            ("/srv/recovered", str(self.recovered)),
        ):
            block = block.replace(said, here)
        return block

    def run(self, block: str) -> None:
        """Run a block of commands as the server's own account. Raises AssertionError with what they said when one fails."""
        programs = str(self.server._program("postgres").parent)
        environment = clean_environment() | {
            "PATH": f"{programs}:{os.environ['PATH']}",
            "PGHOST": str(self.server.sockets),
            "PGUSER": OWNER,
        }
        words, account = ["sh", "-e", "-c", self.placed(block)], self.server._account()
        done = subprocess.run(words, env=environment, cwd="/", capture_output=True, text=True, **account)
        assert done.returncode == 0, done.stdout + done.stderr


@contextmanager
def archiving_site() -> Iterator[Site]:
    """Give a server that archives; it and all it wrote is gone at the end."""
    place = places.PROJECT / ".state" / "test" / f"wal-{os.getpid()}"
    place.mkdir(mode=0o711, parents=True)
    site = Site(place)
    try:
        site.start(blocks()[0])
        yield site
    finally:
        if (site.recovered / "postmaster.pid").exists():
            site.run("pg_ctl --pgdata=/srv/recovered --mode=immediate stop")
        site.server.leave()
        shutil.rmtree(place)


def python_for_all() -> Path:
    """Find a Python that the server's own account may run: as root the tests run its server as nobody."""
    candidates = [Path(sys.executable).resolve(), Path("/usr/bin/python3"), Path("/usr/local/bin/python3")]
    return next(path for path in candidates if path.exists() and (os.geteuid() != 0 or places.open_to_others(path.parent)))


def wait_for(ready, seconds: float = 60) -> None:
    """Wait until something is so."""
    limit = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < limit, "the server did not archive in time"
        time.sleep(0.05)

"""A whole office of its own for a proof: its servers, worker and clock, each of which can be ended without warning."""

import contextlib
import datetime
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import psycopg
import redis

from rentals.runtime import processes
from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import wait_gone
from rentals.runtime.supervisor import Program
from rentals.runtime.valkey import Valkey

OURS = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "OFFICE_TEST_APP_URL", "OFFICE_STATE_DIR", "OFFICE_TEST_SERVER")


def zone_where_it_is_noon() -> str:
    """Return a time zone in which it is about noon: mails that the office sends by itself wait for the morning elsewhere."""
    ahead = datetime.datetime.now(tz=datetime.UTC).hour - 12
    return f"Etc/GMT{ahead:+d}" if ahead else "UTC"


class Office:
    """Servers that survive a kill, and the processes that work on them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.postgres, self.valkey = Postgres(folder / "postgres"), Valkey(folder / "valkey")
        self.programs: dict[str, subprocess.Popen[bytes]] = {}
        self.log = (folder / "processes.log").open("ab")

    def open(self, families: int) -> None:
        """Start the servers and fill the database."""
        self.postgres.use()
        self.valkey.use()
        self.python("-m", "tests.proof.filling", str(families), DATABASE_URL=self.postgres.owner_url)

    def close(self) -> None:
        """End everything."""
        for name in list(self.programs):
            self.kill(name)
        for server in (self.valkey, self.postgres):
            server.leave()
        self.log.close()

    @property
    def environment(self) -> dict[str, str]:
        """What the office's processes are told."""
        kept = {key: value for key, value in os.environ.items() if key not in OURS}
        return kept | {
            "DATABASE_URL": self.postgres.url,
            "REDIS_URL": self.valkey.url,
            "OFFICE_STATE_DIR": str(self.folder),
            "OFFICE_TIME_ZONE": zone_where_it_is_noon(),
            "OFFICE_NO_BOOTSTRAP": "1",
            "OFFICE_DB_POOL": "1",
            "DJANGO_SETTINGS_MODULE": "rentals.settings",
        }

    def python(self, *words: str, **environment: str) -> str:
        """Run something to its end; return what it said. Raises AssertionError with its words when it failed."""
        done = subprocess.run(
            [sys.executable, *words], cwd=PROJECT, env=self.environment | environment, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def start(self, *programs: Program) -> None:
        """Start programs that do not run, each in a session of its own."""
        for program in programs:
            running = self.programs.get(program.name)
            if running is None or running.poll() is not None:
                self.programs[program.name] = subprocess.Popen(
                    program.command, env=self.environment, cwd=PROJECT, start_new_session=True, stdout=self.log, stderr=self.log
                )

    def start_all(self) -> None:
        """Bring up whatever is down: what a supervisor does."""
        self.postgres.use()
        self.valkey.use()
        self.start(*self.staff())

    def staff(self) -> Sequence[Program]:
        """The worker, and two clocks, because two must do no harm."""
        first, second = self.folder / "first", self.folder / "second"
        for each in (first, second):
            each.mkdir(exist_ok=True)
        clocks = [processes.beat(first), processes.beat(second)]
        return [processes.worker(), *(Program(f"{clock.name}-{n}", clock.command) for n, clock in enumerate(clocks))]

    def kill(self, name: str) -> None:
        """End a program and its children, without warning."""
        process = self.programs.pop(name)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(timeout=20)

    def kill_a_child(self) -> None:
        """End one of the worker's children, who do the work."""
        worker = self.programs["worker"].pid
        children = Path(f"/proc/{worker}/task/{worker}/children").read_text().split()
        if children:
            with contextlib.suppress(ProcessLookupError):
                os.kill(int(children[-1]), signal.SIGKILL)

    def kill_database(self) -> None:
        """End PostgreSQL without warning."""
        pid = self.postgres._pid()
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert wait_gone(pid, seconds=20)

    def kill_broker(self) -> None:
        """End Valkey without warning."""
        with contextlib.closing(redis.Redis.from_url(self.valkey.url)) as broker:
            pid = int(broker.info("server")["process_id"])
        os.kill(pid, signal.SIGKILL)
        assert wait_gone(pid, seconds=20)

    def empty_broker(self) -> None:
        """Take away everything that the broker holds."""
        with contextlib.closing(redis.Redis.from_url(self.valkey.url)) as broker:
            broker.flushall()

    @contextlib.contextmanager
    def books(self) -> Iterator[psycopg.Cursor[Any]]:
        """Read the database as its owner."""
        with psycopg.connect(self.postgres.owner_url, autocommit=True) as opened, opened.cursor() as cursor:
            yield cursor

    def count(self, question: str) -> int:
        """Ask for one number."""
        with self.books() as cursor:
            cursor.execute(question)
            row = cursor.fetchone()
            assert row is not None
            return int(row[0])

    def wait_until(self, what: Callable[[], bool], *, seconds: float, told: Callable[[], str]) -> None:
        """Wait for something; otherwise say how things stand."""
        ends = time.monotonic() + seconds
        while not what():
            assert time.monotonic() < ends, told()
            self.start_all()
            time.sleep(0.5)

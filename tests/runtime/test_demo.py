"""The demo as a person meets it: one terminal, one command, whatever happens to its processes."""

import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import psycopg
import pytest

from rentals.runtime import demo, places
from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import is_alive, wait_gone
from rentals.runtime.valkey import Valkey

CALM = os.getloadavg()[0] < (os.cpu_count() or 1)
# The promise is eight seconds on a machine that has nothing else to do; on a busy one every process merely waits its turn.
DOWN_WITHIN_SECONDS = 8 if CALM else 30
OUTER = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "OFFICE_TEST_APP_URL", "OFFICE_SECRET_KEY")


def free_port() -> int:
    return next(port for port in range(17_000, 17_900) if demo.can_bind(port))


class Terminal:
    """`manage.py demo` in a terminal of its own, its lines read as they come."""

    opened: ClassVar[list["Terminal"]] = []

    def __init__(self, state: Path, port: int, *words: str) -> None:
        environment = {key: value for key, value in os.environ.items() if key not in OUTER} | {"OFFICE_STATE_DIR": str(state)}
        self.url, self.state, self.lines = f"http://127.0.0.1:{port}", state, []
        self.process = subprocess.Popen(
            [sys.executable, "manage.py", "demo", "--port", str(port), *words],
            cwd=PROJECT,
            env=environment,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self._reader = threading.Thread(target=lambda: self.lines.extend(iter(self.process.stdout.readline, "")), daemon=True)
        self._reader.start()
        self.opened.append(self)

    @property
    def text(self) -> str:
        return "".join(self.lines)

    def wait_for(self, what: Callable[[], object] | str, *, seconds: float = 120) -> None:
        seen = what if callable(what) else lambda: what in self.text
        limit = time.monotonic() + seconds
        while not seen():
            assert time.monotonic() < limit, f"{what} not seen in:\n{self.text}"
            assert self.process.poll() is None or not callable(what), self.text
            time.sleep(0.05)

    def ended(self, *, seconds: float = 120) -> int:
        code = self.process.wait(timeout=seconds)
        self._reader.join(timeout=5)
        self.process.stdout.close()
        return code

    def is_well(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/health/", timeout=15) as answer:
                return answer.status == 200
        except OSError:
            return False

    def pid(self, part: str) -> int:
        """Return the process of this demo that runs `part`."""
        found = self.find(part)
        assert found, f"no {part} under {self.process.pid}"
        return found

    def find(self, part: str) -> int | None:
        """Find a process of this demo by its command line and parent."""
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                words = (folder / "cmdline").read_bytes().decode().split("\0")
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            except (OSError, ValueError):
                continue
            if part in words and parent == self.process.pid:
                return int(folder.name)
        return None


def households(state: Path) -> int:
    with psycopg.connect(Postgres(state / "postgres").owner_url) as opened:
        return opened.execute("SELECT count(*) FROM families_household").fetchone()[0]


@pytest.fixture(scope="module")
def state() -> Iterator[Path]:
    folder = places.PROJECT / ".state" / "test" / f"demo-{os.getpid()}"
    folder.mkdir(mode=0o711, parents=True, exist_ok=True)
    yield folder
    for terminal in Terminal.opened:
        if terminal.process.poll() is None:
            terminal.process.send_signal(signal.SIGINT)
            terminal.ended()
    subprocess.run(["rm", "-rf", str(folder)], check=True)


@pytest.fixture(scope="module")
def running(state: Path) -> Terminal:
    terminal = Terminal(state, free_port(), "--households", "12")
    terminal.wait_for("Ctrl-C stops it", seconds=420)
    return terminal


class TestDemo:
    """In the order of a day: these share one running demo."""

    def test_serves_and_says_where_and_who_may_sign_in(self, running: Terminal):
        assert running.is_well()
        assert f"Open {running.url}/" in running.text
        for role in ("specialist", "bookkeeper", "technician", "manager", "administrator"):
            assert re.search(rf"office\s*\| .*{role}", running.text, re.IGNORECASE), running.text
        assert households(running.state) >= 12

    def test_a_second_one_is_told_where_the_first_runs(self, running: Terminal):
        second = Terminal(running.state, free_port())
        assert second.ended() == 3
        assert "Traceback" not in second.text
        assert f"The demo already runs: {running.url}/ (process {running.process.pid}, data in {running.state})" in second.text

    def test_a_taken_port_is_named_with_one_that_is_free(self, running: Terminal, state: Path):
        elsewhere = state / "elsewhere"
        port = int(running.url.rpartition(":")[2])
        other = Terminal(elsewhere, port)
        assert other.ended() == 2
        assert re.search(rf"Port {port} is taken by another program: choose another, .*--port \d+\.", other.text)
        assert "Traceback" not in other.text

    def test_data_in_use_is_not_thrown_away(self, running: Terminal):
        fresh = Terminal(running.state, free_port(), "--fresh")
        assert fresh.ended() == 3
        assert households(running.state) >= 12

    @pytest.mark.parametrize(("name", "part"), [("web", "rentals.wsgi:application"), ("worker", "worker"), ("beat", "beat")])
    def test_a_killed_process_comes_back(self, running: Terminal, name: str, part: str):
        before = running.pid(part)
        os.kill(before, signal.SIGKILL)
        running.wait_for(f"{name} ended unexpectedly (signal SIGKILL); starting it again.")
        # A killed web server's last child may still answer for a moment: the new process is what counts.
        running.wait_for(lambda: running.find(part) not in {None, before})
        running.wait_for(running.is_well)

    def test_a_killed_database_comes_back_with_everything(self, running: Terminal):
        kept = households(running.state)
        os.kill(Postgres(running.state / "postgres")._pid(), signal.SIGKILL)
        running.wait_for("PostgreSQL ended unexpectedly; starting it again.")
        running.wait_for(running.is_well)
        assert households(running.state) == kept

    def test_a_killed_broker_comes_back(self, running: Terminal):
        broker, greetings = Valkey(running.state / "valkey"), running.text.count("Connected to redis")
        pid = int(re.search(rb"process_id:(\d+)", broker._ask("INFO server"))[1])
        os.kill(pid, signal.SIGKILL)
        running.wait_for("Valkey ended unexpectedly; starting it again.")
        running.wait_for(lambda: broker.is_running() and running.is_well())
        # The worker says in its own words how it lost the broker; the next test listens once that is said.
        running.wait_for(lambda: running.text.count("Connected to redis") > greetings)

    def test_ctrl_c_ends_all_of_it_soon(self, running: Terminal):
        programs = [running.pid(part) for part in ("rentals.wsgi:application", "worker", "beat")]
        database = Postgres(running.state / "postgres")
        servers = [database._pid()]
        said_before = len(running.lines)
        began = time.monotonic()
        running.process.send_signal(signal.SIGINT)
        assert running.ended(seconds=60) == 0
        assert time.monotonic() - began < DOWN_WITHIN_SECONDS
        assert [pid for pid in [*programs, *servers] if is_alive(pid)] == []
        assert not Valkey(running.state / "valkey").is_running()
        assert "Traceback" not in "".join(running.lines[said_before:]), running.text

    def test_after_a_kill_of_everything_the_same_command_brings_it_back(self, running: Terminal):
        first = Terminal(running.state, free_port())
        first.wait_for("Ctrl-C stops it")
        kept = households(running.state)
        programs = [first.pid(part) for part in ("rentals.wsgi:application", "worker", "beat")]
        os.kill(first.process.pid, signal.SIGKILL)
        os.kill(Postgres(running.state / "postgres")._pid(), signal.SIGKILL)
        first.ended()
        assert [pid for pid in programs if not wait_gone(pid, seconds=15)] == []
        second = Terminal(running.state, free_port())
        second.wait_for("Ctrl-C stops it")
        assert second.is_well()
        assert households(running.state) == kept
        second.process.send_signal(signal.SIGTERM)
        assert second.ended(seconds=30) == 0

    def test_fresh_starts_over(self, running: Terminal):
        again = Terminal(running.state, free_port(), "--fresh", "--households", "5")
        again.wait_for("Ctrl-C stops it", seconds=240)
        assert 5 <= households(running.state) < 12
        again.process.send_signal(signal.SIGINT)
        assert again.ended(seconds=30) == 0


class TestOptions:
    @pytest.mark.parametrize(
        ("words", "part"), [(["--port", "0"], "--port takes"), (["--households", "0"], "--households takes")]
    )
    def test_senseless_ones_are_refused_in_a_sentence(self, state: Path, words: list[str], part: str):
        done = subprocess.run([sys.executable, "manage.py", "demo", *words], cwd=PROJECT, capture_output=True, text=True)
        assert done.returncode == 2
        assert part in done.stderr
        assert "Traceback" not in done.stderr

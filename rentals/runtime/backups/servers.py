"""A database server as its tools are told of it, and which of the tools on this machine fit it."""

import contextlib
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, Any

import psycopg
from psycopg.conninfo import make_conninfo

from rentals import environment
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.errors import StartError
from rentals.runtime.postgres import binary_dir, clean_environment


@dataclass(frozen=True)
class Address:
    """Where a database is and who asks. The password goes by the environment, never by a command line."""

    url: str = field(repr=False)
    database: str

    @classmethod
    def of(cls, url: str) -> "Address":
        """Take a DATABASE_URL apart."""
        return cls(url, str(environment.database(url, pooled=False)["NAME"]))

    def named(self, database: str) -> "Address":
        """Return another database of the same server, for the same role."""
        return replace(self, database=database)

    def connect(self, **words: Any) -> psycopg.Connection[Any]:
        """Open a connection. Raises BackupError when the server does not answer."""
        try:
            return psycopg.connect(self._conninfo(), password=self._entry["PASSWORD"] or None, **words)
        except psycopg.OperationalError as error:
            said = " ".join(str(error).split())
            raise BackupError(f"The database {self.database} cannot be reached: {said}") from error

    def tool(self, program: Path, *words: str) -> list[str]:
        """Give the command line of a tool of PostgreSQL for this database."""
        return [str(program), *words, f"--dbname={self._conninfo()}"]

    def surroundings(self) -> dict[str, str]:
        """Give such a tool its environment."""
        password = self._entry["PASSWORD"]
        return {**clean_environment(), **({"PGPASSWORD": password} if password else {})}

    def as_url(self) -> str:
        """Write it as a DATABASE_URL."""
        before, mark, query = self.url.partition("?")
        server = before.rpartition("/")[0]
        return f"{server}/{self.database}{mark}{query}"

    @property
    def _entry(self) -> dict[str, Any]:
        return environment.database(self.url, pooled=False)

    def _conninfo(self) -> str:
        entry = self._entry
        words = {"host": entry["HOST"], "port": entry["PORT"], "user": entry["USER"], **entry["OPTIONS"]}
        return make_conninfo(dbname=self.database, **{key: value for key, value in words.items() if value})


def server_major(connection: psycopg.Connection[Any]) -> int:
    """Return the server's major version, like 18."""
    return connection.info.server_version // 10000


def find_tool(name: str, *, at_least: int) -> Path:
    """Find pg_dump or pg_restore of the server's version, else the nearest newer one. Raises BackupError.

    A newer pg_restore may say things an older server does not know, so the same version goes first.
    """
    fitting = sorted((major, place, path) for place, (path, major) in enumerate(_tools(name)) if major >= at_least)
    if not fitting:
        raise BackupError(
            f"The server is PostgreSQL {at_least}, and this machine has no {name} of that version or newer: install "
            f"postgresql-client-{at_least}, or put {name} on the PATH."
        )
    return fitting[0][2]


def newest_tool(name: str) -> Path:
    """Find the newest pg_restore here: it reads every older dump. Raises BackupError."""
    found = sorted((major, str(path)) for path, major in _tools(name))
    if not found:
        raise BackupError(f"This machine has no {name}: install postgresql-client, or put {name} on the PATH.")
    return Path(found[-1][1])


def _tools(name: str) -> Iterator[tuple[Path, int]]:
    """Yield what there is, with its major version: on the PATH, of the system, and what comes with the office."""
    places = [Path(found)] if (found := shutil.which(name)) else []
    places += sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    with contextlib.suppress(StartError):
        places.append(binary_dir() / name)
    for path in places:
        if os.access(path, os.X_OK):
            shown = subprocess.run([str(path), "--version"], capture_output=True, text=True, env=clean_environment())
            version = re.search(r"(\d+)(?:\.|devel|beta|rc|\s|$)", shown.stdout)
            if shown.returncode == 0 and version:
                yield path, int(version.group(1))


class Tool:
    """A running pg_dump or pg_restore with a pipe; leaving it waits for its end and raises what it complained of."""

    def __init__(self, command: list[str], surroundings: dict[str, str], *, reads: bool) -> None:
        self._complaints = tempfile.TemporaryFile()  # noqa: SIM115 - closed on leaving
        self._name = Path(command[0]).name
        self._reads = reads
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE if reads else subprocess.DEVNULL,
            stdout=subprocess.DEVNULL if reads else subprocess.PIPE,
            stderr=self._complaints,
            env=surroundings,
            cwd="/",
        )

    def __enter__(self) -> "Tool":
        return self

    def write(self, data: bytes) -> None:
        """Give a tool that reads its next bytes. Raises BackupError when it has given up."""
        pipe: IO[bytes] = self._pipe()
        try:
            pipe.write(data)
        except BrokenPipeError:
            self._process.wait()
            raise BackupError(self._complaint()) from None

    def read(self, size: int) -> bytes:
        """Take the next bytes of a tool that writes; b"" at its end."""
        return self._pipe().read(size)

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is not None:
                self._process.kill()
            with contextlib.suppress(BrokenPipeError):
                self._pipe().close()
            failed = self._process.wait() != 0
            if failed and kind is None:
                raise BackupError(self._complaint())
        finally:
            self._complaints.close()

    def _pipe(self) -> IO[bytes]:
        pipe = self._process.stdin if self._reads else self._process.stdout
        assert pipe is not None
        return pipe

    def _complaint(self) -> str:
        """Return the tool's first complaint; what follows it follows from it."""
        self._complaints.seek(0)
        lines = [line.strip() for line in self._complaints.read().decode(errors="replace").splitlines() if line.strip()]
        said = next((line for line in lines if "error" in line.lower()), lines[-1] if lines else "it said nothing")
        return f"{self._name} gave up: {said}"

"""What the embedded PostgreSQL and Valkey share: who starts one, who uses it, who stops it. Standard library only.

Two locks in the server's folder. `start.lock` is held while starting or stopping. `users.lock` is held, shared, by every process
that uses the server; whoever can take it alone when leaving was the last one, and stops the server. The kernel drops both when a
process dies, even by kill -9, so the count can never be wrong; a server left behind that way is adopted by the next command.
"""

import contextlib
import fcntl
import os
import subprocess
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from rentals.runtime.errors import StartError, disk_full
from rentals.runtime.places import make_folder

POLL = 0.01
STARTED: list[subprocess.Popen[bytes]] = []
"""Servers started here, kept until this process ends: a server may well outlive the object that stood for it."""


class Server(ABC):
    """One embedded server and its folder."""

    name: str

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "server.log"
        self._using: IO[str] | None = None

    @abstractmethod
    def is_running(self) -> bool:
        """Return whether this very server is up (not merely whether some process has its number)."""

    @abstractmethod
    def _launch(self) -> None:
        """Start the server and wait until it answers. Called under start.lock."""

    @abstractmethod
    def _halt(self) -> None:
        """Stop the server and wait until it is gone. Called under start.lock."""

    @property
    @abstractmethod
    def url(self) -> str:
        """Where the application finds it."""

    def use(self) -> None:
        """Start the server, or join the others that use it."""
        make_folder(self.folder, mode=0o711 if os.geteuid() == 0 else 0o700)
        with self._starting():
            if self._using is None:
                handle = (self.folder / "users.lock").open("w")
                fcntl.flock(handle, fcntl.LOCK_SH)
                self._using = handle
            if not self.is_running():
                self._launch()

    def leave(self) -> None:
        """Leave the server; the last one to leave stops it. Harmless when it is not in use."""
        if self._using is None:
            return
        with self._starting(), self._using as handle:
            self._using = None
            if self._alone(handle) and self.is_running():
                self._halt()
                self._reap()

    def wipe(self) -> None:
        """Throw the server's data away. Refuses while another command uses it."""
        make_folder(self.folder, mode=0o711 if os.geteuid() == 0 else 0o700)
        with self._starting(), (self.folder / "users.lock").open("w") as handle:
            if not self._alone(handle):
                message = f"Another command still uses the {self.name} in {self.folder}: let it end, then start over."
                raise StartError(message)
            if self.is_running():
                self._halt()
                self._reap()
            self._remove_data()

    @abstractmethod
    def _remove_data(self) -> None:
        """Remove the data of the stopped server."""

    @contextlib.contextmanager
    def _starting(self) -> Iterator[None]:
        with (self.folder / "start.lock").open("w") as handle:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield

    @staticmethod
    def _alone(handle: IO[str]) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _wait_until(self, ready: Callable[[], bool], process: subprocess.Popen[bytes], *, seconds: float) -> None:
        """Wait for a started process to answer; explain from its log when it does not."""
        STARTED.append(process)
        limit = time.monotonic() + seconds
        while not ready():
            if process.poll() is not None or time.monotonic() > limit:
                raise StartError(self._why_not())
            time.sleep(POLL)

    @staticmethod
    def _reap() -> None:
        """Collect the exit status of servers that this process started and that have ended, so that no zombie stays."""
        for process in STARTED:
            process.poll()

    def _why_not(self) -> str:
        """Turn the end of the log into one sentence."""
        with contextlib.suppress(OSError):
            last = [line for line in self.log.read_text(errors="replace").splitlines()[-30:] if line.strip()]
            if any("No space left on device" in line for line in last):
                return disk_full(self.folder)
            if last:
                return f"The embedded {self.name} did not start; its last words in {self.log} were: {last[-1].strip()}"
        return f"The embedded {self.name} did not start: see {self.log}."


def is_alive(pid: int) -> bool:
    """Return whether a process exists and is not merely waiting to be reaped (containers often never reap)."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return True
    return state not in {"Z", "X"}


def command_line(pid: int) -> list[str]:
    """Return a process's arguments, empty when they cannot be read."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        # macOS has no /proc.
        shown = subprocess.run(["ps", "-o", "args=", "-p", str(pid)], capture_output=True, text=True)
        return shown.stdout.split()


def wait_gone(pid: int, *, seconds: float) -> bool:
    """Wait until a process has ended; return whether it has."""
    limit = time.monotonic() + seconds
    while is_alive(pid):
        if time.monotonic() > limit:
            return False
        time.sleep(POLL)
    return True

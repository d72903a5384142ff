"""Several processes under one terminal: readable, prefixed output, restarts within reason, a clean stop. Standard library only.

One thread and one loop: the output of every process is read as it comes, exits are noticed, and a signal only sets a flag.
"""

import contextlib
import ctypes
import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TextIO

from rentals.runtime.errors import StartError
from rentals.runtime.servers import Server

RESTARTS_PER_MINUTE = 3
SERVER_CHECK_SECONDS = 1.0
PR_SET_PDEATHSIG = 1
NOISE = (
    "SecurityWarning",
    "superuser privileges",
    "User information: uid=",
    "Please specify a different user using the --uid",
    "warnings.warn(",
    "absolutely not recommended",
    "_warn_or_raise_security_error",
    "GET /health/ 200",
)
"""What a worker says when root runs it, and the answers to our own questions: harmless, and in the way of what matters."""


@dataclass(frozen=True)
class Program:
    """One process to keep running."""

    name: str
    command: Sequence[str]
    grace: float = 5.0
    """Seconds from SIGTERM until it is ended harder."""


@dataclass
class Running:
    """A program that was started."""

    program: Program
    process: subprocess.Popen[bytes]
    unfinished: bytes = b""
    starts: list[float] = field(default_factory=list)


class Supervisor:
    """Starts programs in order, shows what they say, restarts what falls over, and stops all of them."""

    def __init__(self, *, environment: Mapping[str, str], servers: Sequence[Server] = (), out: TextIO = sys.stdout) -> None:
        self.environment = dict(environment)
        self.servers = list(servers)
        self.out = out
        self.running: dict[str, Running] = {}
        self._stops_asked = 0
        self._selector = selectors.DefaultSelector()
        self._server_restarts: list[float] = []
        self._checked_servers = 0.0

    def listen_for_signals(self) -> None:
        """Ctrl-C, a closed terminal and `kill` ask for a clean stop; asked twice, all programs are ended at once."""
        for sign in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(sign, self._ask_to_stop)

    def _ask_to_stop(self, *_: object) -> None:
        self._stops_asked += 1

    @property
    def stopping(self) -> bool:
        """Whether somebody asked for the end."""
        return self._stops_asked > 0

    def say(self, name: str, line: str) -> None:
        """Show one line under a process's name. A terminal that is gone does not matter."""
        with contextlib.suppress(OSError, ValueError):
            self.out.write(f"{time.strftime('%H:%M:%S')} {name:<8}| {line}\n")
            self.out.flush()

    def start(self, program: Program) -> None:
        """Start a program in a session of its own, so that the terminal's Ctrl-C reaches only the supervisor."""
        before = self.running.get(program.name)
        process = subprocess.Popen(
            program.command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=self.environment,
            start_new_session=True,
            preexec_fn=end_with_parent(os.getpid()),  # noqa: PLW1509 - there is one thread
        )
        assert process.stdout is not None
        os.set_blocking(process.stdout.fileno(), False)
        entry = Running(program, process, starts=[*(before.starts if before else []), time.monotonic()])
        self._selector.register(process.stdout, selectors.EVENT_READ, entry)
        self.running[program.name] = entry

    def run_to_end(self, program: Program) -> int:
        """Run a program that is expected to end, showing what it says; return its exit code (130 when a stop was asked for)."""
        self.start(program)
        entry = self.running[program.name]
        while entry.process.poll() is None:
            self.pump(0.1)
            if self.stopping:
                self.stop()
                return 130
        self._drain(entry)
        del self.running[program.name]
        return entry.process.returncode

    def wait_until(self, ready: Callable[[], bool], name: str, *, seconds: float) -> None:
        """Show output until a program is ready. Raises StartError when it ends or takes too long."""
        limit = time.monotonic() + seconds
        entry = self.running[name]
        while not self.stopping and not ready():
            self._pump_for(0.1)
            if entry.process.poll() is not None:
                self._drain(entry)
                raise StartError(
                    f"The {name} process ended while starting (exit code {entry.process.returncode}); see its lines above."
                )
            if time.monotonic() > limit:
                raise StartError(f"The {name} process did not answer within {seconds:.0f} seconds; see its lines above.")

    def watch(self) -> None:
        """Keep everything running until a stop is asked for."""
        while not self.stopping:
            self.pump(0.2)
            for entry in list(self.running.values()):
                if entry.process.poll() is not None:
                    self._bring_back(entry)
            if time.monotonic() - self._checked_servers > SERVER_CHECK_SECONDS:
                self._check_servers()

    def _bring_back(self, entry: Running) -> None:
        self._drain(entry)
        name, code = entry.program.name, entry.process.returncode
        recent = [moment for moment in entry.starts if time.monotonic() - moment < 60]
        if len(recent) > RESTARTS_PER_MINUTE:
            raise StartError(f"The {name} process keeps ending (exit code {code}); its last lines above say why.")
        self.say("office", f"{name} ended unexpectedly ({ending(code)}); starting it again.")
        self.start(entry.program)

    def _check_servers(self) -> None:
        self._checked_servers = time.monotonic()
        for server in self.servers:
            if not server.is_running():
                self._server_restarts = [moment for moment in self._server_restarts if time.monotonic() - moment < 60]
                if len(self._server_restarts) >= RESTARTS_PER_MINUTE:
                    raise StartError(f"The embedded {server.name} keeps ending: see {server.log}.")
                self._server_restarts.append(time.monotonic())
                self.say("office", f"{server.name} ended unexpectedly; starting it again.")
                server.use()

    def pump(self, seconds: float) -> None:
        """Show what the programs said, waiting at most so long for something."""
        if not self._selector.get_map():
            time.sleep(seconds)
            return
        for key, _ in self._selector.select(seconds):
            self._read(key.data)

    def _pump_for(self, seconds: float) -> None:
        limit = time.monotonic() + seconds
        while (left := limit - time.monotonic()) > 0:
            self.pump(left)

    def _read(self, entry: Running) -> bool:
        """Show whole lines of one program; return whether there may be more."""
        pipe = entry.process.stdout
        if pipe is None or pipe.closed:
            return False
        try:
            chunk = os.read(pipe.fileno(), 65536)
        except BlockingIOError:
            return False
        *lines, entry.unfinished = (entry.unfinished + chunk).split(b"\n")
        if not chunk:
            lines = [entry.unfinished] if entry.unfinished else []
            entry.unfinished = b""
            self._selector.unregister(pipe)
            pipe.close()
        for line in lines:
            text = line.decode(errors="replace").rstrip()
            if text and not any(noise in text for noise in NOISE):
                self.say(entry.program.name, text)
        return bool(chunk)

    def _drain(self, entry: Running) -> None:
        while self._read(entry):
            pass
        pipe = entry.process.stdout
        if pipe is not None and not pipe.closed:
            self._selector.unregister(pipe)
            pipe.close()

    def stop(self) -> None:
        """End all programs at once: kindly, then (SIGQUIT) telling a worker to put its work back, then for good."""
        began, asked = time.monotonic(), self._stops_asked
        for entry in self.running.values():
            self._signal(entry, signal.SIGTERM)
        told: set[str] = set()
        while left := [entry for entry in self.running.values() if entry.process.poll() is None]:
            self.pump(0.05)
            spent = time.monotonic() - began
            for entry in left:
                if spent > entry.program.grace + 1.5 or self._stops_asked > max(asked, 1):
                    self._signal(entry, signal.SIGKILL, whole_session=True)
                elif spent > entry.program.grace and entry.program.name not in told:
                    told.add(entry.program.name)
                    self._signal(entry, signal.SIGQUIT)
        for entry in self.running.values():
            self._drain(entry)
        self.running.clear()

    @staticmethod
    def _signal(entry: Running, sign: signal.Signals, *, whole_session: bool = False) -> None:
        with contextlib.suppress(ProcessLookupError):
            if whole_session:
                os.killpg(entry.process.pid, sign)
            else:
                entry.process.send_signal(sign)


def ending(code: int) -> str:
    """Say how a process ended, from its exit code."""
    return f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"


def end_with_parent(parent: int) -> Callable[[], None] | None:
    """Make a child end (SIGTERM) when its parent does, even by kill -9. Linux only."""
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None)

    def ask_the_kernel() -> None:
        library.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:
            os._exit(1)

    return ask_the_kernel

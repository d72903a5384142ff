"""`python3 manage.py demo`: the whole office under one terminal, on servers of its own, with a scenario to look at."""

import argparse
import contextlib
import fcntl
import hashlib
import http.client
import os
import secrets
import shutil
import signal
import socket
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from rentals.runtime import processes
from rentals.runtime.bootstrap import LOCK, PROJECT
from rentals.runtime.errors import MISUSED, StartError
from rentals.runtime.places import state_dir
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import Server
from rentals.runtime.supervisor import Program, Supervisor
from rentals.runtime.system import pango_problem
from rentals.runtime.valkey import Valkey

HOST = "127.0.0.1"
MADE_FILES = ("mail", "documents", "media", "beat", "sign-ins.txt")
"""What the demo's own work leaves in the state folder beside the servers' data."""


def run(arguments: list[str]) -> int:
    """Run the demo until it is stopped."""
    wanted = read(arguments)
    state = state_dir()
    began = time.monotonic()
    with only_demo(state, f"http://{HOST}:{wanted.port}/"):
        refuse_taken_port(wanted.port)
        if wanted.fresh:
            start_over(state)
        servers = [Postgres(state / "postgres"), Valkey(state / "valkey")]
        supervisor = Supervisor(environment={}, servers=[])
        end_at_once_when_asked()
        try:
            addresses(supervisor, servers)
            supervisor.environment = surroundings(state)
            application = os.environ["DATABASE_URL"]
            empty = prepare_database(supervisor)
            supervisor.listen_for_signals()
            os.environ["DATABASE_URL"] = application
            fill_database(supervisor, wanted.households, empty=empty)
            open_doors(supervisor, state, wanted.port, began)
            supervisor.watch()
            supervisor.say("office", "Stopping...")
        finally:
            stop_everything(supervisor)
    return 0


def read(arguments: list[str]) -> argparse.Namespace:
    """Read the options."""
    parser = argparse.ArgumentParser(prog="manage.py demo", description="Run the whole office here, with a scenario to look at.")
    parser.add_argument("--port", type=int, default=8000, help="where the browser finds it (8000)")
    parser.add_argument("--fresh", action="store_true", help="throw the demo's data away and start over")
    parser.add_argument("--households", type=int, default=None, metavar="N", help="load a scenario of N households")
    wanted = parser.parse_args(arguments)
    if wanted.households is not None and wanted.households < 1:
        raise StartError("--households takes a number from 1 up.", code=MISUSED)
    if not 1 <= wanted.port <= 65535:
        raise StartError("--port takes a number from 1 to 65535.", code=MISUSED)
    return wanted


@contextlib.contextmanager
def only_demo(state: Path, address: str) -> Iterator[None]:
    """Hold the demo's lock, which names where it runs; the kernel drops it when the process ends in whatever way."""
    with (state / "demo.lock").open("a+") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            other = handle.read().strip() or "in another terminal"
            raise StartError(f"The demo already runs: {other}. Use it there, or stop it there with Ctrl-C first.") from None
        handle.truncate(0)
        handle.write(f"{address} (process {os.getpid()}, data in {state})")
        handle.flush()
        yield


def refuse_taken_port(port: int) -> None:
    """Say at once when the port is taken, and which one is free."""
    if can_bind(port):
        return
    free = next((other for other in range(port + 1, min(port + 50, 65535)) if can_bind(other)), None)
    advice = f"choose another, for example: python3 manage.py demo --port {free}" if free else "choose another with --port"
    reason = "needs root's rights" if port < 1024 and os.geteuid() != 0 else "is taken by another program"
    raise StartError(f"Port {port} {reason}: {advice}.", code=MISUSED)


def can_bind(port: int) -> bool:
    """Return whether the port is free for us."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError:
            return False
    return True


def start_over(state: Path) -> None:
    """Throw away the embedded servers' data and what the office made. Never touches an outside server."""
    if "DATABASE_URL" in os.environ:
        raise StartError(
            "--fresh only empties the embedded database; DATABASE_URL names another: empty that one yourself.", code=MISUSED
        )
    Postgres(state / "postgres").wipe()
    Valkey(state / "valkey").wipe()
    for name in MADE_FILES:
        path = state / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def addresses(supervisor: Supervisor, servers: Sequence[Server]) -> None:
    """Start the embedded servers no address was given for, and put all addresses into the environment."""
    for variable, server in zip(("DATABASE_URL", "REDIS_URL"), servers, strict=True):
        if variable in os.environ:
            supervisor.say("office", f"Using the {server.name} that {variable} names.")
            continue
        supervisor.servers.append(server)
        server.use()
        os.environ[variable] = server.url
        if isinstance(server, Postgres):
            os.environ["DATABASE_OWNER_URL"] = server.owner_url


def surroundings(state: Path) -> dict[str, str]:
    """Give the environment of the office's processes."""
    os.environ["OFFICE_DEMO"] = "1"
    os.environ["OFFICE_DEBUG"] = "0"
    os.environ.setdefault("OFFICE_SECRET_KEY", kept_secret(state / "secret-key"))
    if "OFFICE_BANK_KEYS" not in os.environ:
        os.environ["OFFICE_BANK_KEYS"] = "demo:" + kept_secret(state / "bank-key", size=32)
        os.environ["OFFICE_BANK_INDEX_KEY"] = kept_secret(state / "bank-index-key", size=32)
    # The owner's address stays here: the office's processes have no business with it.
    kept = {key: value for key, value in os.environ.items() if key != "DATABASE_OWNER_URL"}
    return {**kept, "OFFICE_DB_POOL": "1", "PYTHONUNBUFFERED": "1", "OFFICE_NO_BOOTSTRAP": "1"}


def kept_secret(path: Path, size: int = 50) -> str:
    """Return a secret of this installation, `size` random bytes made on the first start, so that it outlives a restart."""
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text(secrets.token_urlsafe(size))
    return path.read_text().strip()


def end_at_once_when_asked() -> None:
    """Until there are programs to stop, `kill` and a closed terminal end this process as Ctrl-C does: with its clean-up."""
    for sign in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(sign, lambda *_: sys.exit(143))


def prepare_database(supervisor: Supervisor) -> bool:
    """Migrate as the owner, and gather the static files; return whether there is nobody in the database yet."""
    os.environ["DATABASE_URL"] = os.environ.get("DATABASE_OWNER_URL", os.environ["DATABASE_URL"])
    import django
    from django.apps import apps
    from django.conf import settings
    from django.core.management import call_command
    from django.db import connections

    django.setup()
    supervisor.say("office", "Bringing the database up to date...")
    call_command("migrate", verbosity=0, interactive=False, office_stopped=True)
    gather_static(Path(settings.STATIC_ROOT))
    empty = not apps.get_model("families", "Household").objects.exists()
    connections.close_all()
    return empty


def fill_database(supervisor: Supervisor, households: int | None, *, empty: bool) -> None:
    """Load the scenario into an empty database, with the application's rights."""
    if empty:
        supervisor.say("office", "Loading an invented shop with its families and their months, once; it takes about a minute...")
        words = ["load_demo", *(["--households", str(households)] if households else [])]
        code = supervisor.run_to_end(Program("demo", [sys.executable, "-m", "django", *words]))
        if code and not supervisor.stopping:
            raise StartError("The demo scenario could not be loaded; the lines above say why. Start over with --fresh.")
    elif households:
        supervisor.say("office", "There is data already: --households is for an empty database; add --fresh to start over.")


def gather_static(into: Path) -> None:
    """Gather and compress the static files, unless none has changed since (compressing takes seconds)."""
    from django.core.management import call_command

    digest = hashlib.sha256(LOCK.read_bytes())
    for path in sorted((PROJECT / "static").rglob("*")):
        digest.update(f"{path} {path.stat().st_mtime_ns}".encode())
    stamp = into / "gathered"
    if stamp.exists() and stamp.read_text() == digest.hexdigest():
        return
    call_command("collectstatic", verbosity=0, interactive=False)
    stamp.write_text(digest.hexdigest())


def open_doors(supervisor: Supervisor, state: Path, port: int, began: float) -> None:
    """Start the web server, then (so that it is not slowed down) worker and beat; say where the office is and who may sign in."""
    if supervisor.stopping:
        return
    supervisor.start(processes.web(f"{HOST}:{port}"))
    supervisor.wait_until(lambda: answers(port), "web", seconds=60)
    if supervisor.stopping:
        return
    supervisor.start(processes.worker())
    supervisor.start(processes.beat(state))
    supervisor.say("office", f"Open http://{HOST}:{port}/ (ready after {time.monotonic() - began:.1f} s). Ctrl-C stops it.")
    for line in sign_ins(state):
        supervisor.say("office", line)
    if problem := pango_problem():
        supervisor.say("office", problem)


def answers(port: int) -> bool:
    """Return whether the web server says that all is well. Raises StartError when it says that it is not."""
    talk = http.client.HTTPConnection(HOST, port, timeout=5)
    try:
        talk.request("GET", "/health/")
        status = talk.getresponse().status
    except (OSError, http.client.HTTPException):
        return False
    finally:
        talk.close()
    if status != http.client.OK:
        raise StartError(f"The web server started, but is not well (it answers {status}); its lines above say why.")
    return True


def sign_ins(state: Path) -> list[str]:
    """Return the lines that say who may sign in to the demo."""
    try:
        return (state / "sign-ins.txt").read_text().splitlines()
    except FileNotFoundError:
        return []


def stop_everything(supervisor: Supervisor) -> None:
    """Stop the programs, then leave the servers."""
    began = time.monotonic()
    supervisor.stop()
    for server in reversed(supervisor.servers):
        server.leave()
    supervisor.say("office", f"Stopped after {time.monotonic() - began:.1f} s; everything is kept.")

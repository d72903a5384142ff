"""The office's own processes: how each is started, in the demo and (the same commands) in compose.yaml."""

import sys
from pathlib import Path

from rentals.runtime.supervisor import Program


def web(bind: str, *, workers: int = 2, threads: int = 4) -> Program:
    """The web server. `bind` is `host:port`."""
    command = [
        *(sys.executable, "-m", "gunicorn", "rentals.wsgi:application", "--bind", bind, "--worker-class", "gthread"),
        *("--workers", str(workers), "--threads", str(threads), "--preload", "--no-control-socket", "--graceful-timeout", "5"),
        *("--log-level", "warning", "--access-logfile", "-", "--access-logformat", "%(m)s %(U)s %(s)s %(M)s ms"),
    ]
    return Program("web", command, grace=6)


def worker(*, processes: int = 2) -> Program:
    """The Celery worker. Asked to end, it finishes the task in hand; a task that takes longer is put back."""
    command = [
        *(sys.executable, "-m", "celery", "--quiet", "--app", "rentals.celery", "worker", "--concurrency", str(processes)),
        *("--without-gossip", "--without-mingle", "--loglevel", "INFO"),
    ]
    return Program("worker", command, grace=5)


def beat(state: Path) -> Program:
    """The clock that sends what is due. Its own process: as the worker's child it would not be restarted."""
    (state / "beat").mkdir(mode=0o700, exist_ok=True)
    command = [
        *(sys.executable, "-m", "celery", "--quiet", "--app", "rentals.celery", "beat", "--loglevel", "INFO", "--pidfile="),
        *("--schedule", str(state / "beat" / "schedule")),
    ]
    return Program("beat", command, grace=4)

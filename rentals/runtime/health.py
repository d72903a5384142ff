"""Ask a running process whether it is well: `python -m rentals.runtime.health web|worker|beat`. For container health checks."""

import http.client
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

BEAT_SAVES_WITHIN_SECONDS = 900


def web(address: str = "127.0.0.1:8000") -> bool:
    """Ask the web server, under the host name and scheme that it is reached by in production."""
    host = os.environ.get("OFFICE_HOSTS", "localhost").split(",")[0].strip()
    talk = http.client.HTTPConnection(address, timeout=4)
    talk.request("GET", "/health/", headers={"Host": host, "X-Forwarded-Proto": "https"})
    return talk.getresponse().status == http.client.OK


def worker() -> bool:
    """Ask this host's worker to answer a ping."""
    from rentals.celery import app

    return bool(app.control.ping(destination=[f"celery@{os.uname().nodename}"], timeout=5))


def beat(schedule: str) -> bool:
    """Look at when beat last wrote down what it has sent (it does so every three minutes)."""
    written = [path.stat().st_mtime for path in Path(schedule).parent.glob(Path(schedule).name + "*")]
    return bool(written) and time.time() - max(written) < BEAT_SAVES_WITHIN_SECONDS


if __name__ == "__main__":
    CHECKS: dict[str, Callable[..., bool]] = {"web": web, "worker": worker, "beat": beat}
    sys.exit(0 if CHECKS[sys.argv[1]](*sys.argv[2:]) else 1)

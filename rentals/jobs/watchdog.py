"""A worker that no longer hears its broker, though it thinks that it does, ends itself; whoever keeps it running starts it anew.

Celery's worker has been seen to reconnect to a broker and take nothing from it any more. It cannot see that from inside the
broker's protocol. The database can: rounds were told, nobody made them, and this worker is idle.
"""

import logging
import os
import signal
import threading
import time
from collections.abc import Callable

from django.db import DatabaseError, InterfaceError, connections
from django.db.models import Max

from rentals.jobs.models import JobMark

logger = logging.getLogger(__name__)

SILENT_SECONDS = int(os.environ.get("OFFICE_WORKER_SILENT_SECONDS", "90"))


class Watchdog(threading.Thread):
    """Looks now and then; `is_busy` and `taken` tell of the worker, `end` ends it."""

    def __init__(self, *, is_busy: Callable[[], bool], taken: Callable[[], int], end: Callable[[], None]) -> None:
        super().__init__(daemon=True, name="watchdog")
        self._is_busy, self._taken, self._end = is_busy, taken, end
        self._seen = -1
        self._idle_since = time.monotonic()

    def run(self) -> None:
        """Look until the worker ends."""
        while True:
            time.sleep(SILENT_SECONDS / 6)
            try:
                if self.is_deaf():
                    logger.error("this worker hears nothing of its broker any more: it ends, to be started anew")
                    self._end()
                    return
            except (DatabaseError, InterfaceError):
                logger.warning("the watchdog could not ask the database")
            finally:
                connections.close_all()

    def is_deaf(self) -> bool:
        """Tell whether rounds were told that nobody made, while this worker had nothing to do for the whole time."""
        if self._is_busy() or self._taken() != self._seen:
            self._seen, self._idle_since = self._taken(), time.monotonic()
        idle = time.monotonic() - self._idle_since
        return idle >= SILENT_SECONDS and rounds_are_left_lying()


def rounds_are_left_lying() -> bool:
    """Tell whether the last round that anybody was told of came so much later than the last that anybody began."""
    last = JobMark.objects.aggregate(told=Max("told_at"), began=Max("began_at"))
    told, began = last["told"], last["began"]
    return told is not None and (began is None or (told - began).total_seconds() >= SILENT_SECONDS / 2)


def watch_this_worker() -> None:
    """Start the watchdog of the Celery worker that this process is."""
    from celery.worker import state

    Watchdog(
        is_busy=lambda: bool(state.active_requests or state.reserved_requests),
        taken=lambda: sum(state.total_count.values()),
        end=lambda: os.kill(os.getpid(), signal.SIGTERM),
    ).start()

from typing import Any

from celery.signals import worker_ready
from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class JobsConfig(AppConfig):
    name = "rentals.jobs"
    label = "jobs"
    verbose_name = "Jobs"

    def ready(self) -> None:
        """Let every room put its jobs on the timetable (each names them in its own `jobs.py`), and have workers watched."""
        autodiscover_modules("jobs")
        from rentals.jobs import alarms
        from rentals.runtime import clock
        from rentals.runtime.backups.nightly import is_too_old
        from rentals.staff.today import COUNTS

        COUNTS["backups"] = lambda today: int(is_too_old(clock.now()))
        COUNTS["jobs"] = lambda today: alarms.count_what_is_wrong(now=clock.now())
        worker_ready.connect(_keep_a_watch, dispatch_uid="jobs.watchdog")


def _keep_a_watch(**_: Any) -> None:
    from rentals.jobs.watchdog import watch_this_worker

    watch_this_worker()

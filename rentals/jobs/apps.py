from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class JobsConfig(AppConfig):
    name = "rentals.jobs"
    label = "jobs"
    verbose_name = "Jobs"

    def ready(self) -> None:
        """Let every room put its jobs on the timetable: each names them in its own `jobs.py`."""
        autodiscover_modules("jobs")
        from rentals.runtime import clock
        from rentals.runtime.backups.nightly import is_too_old
        from rentals.staff.today import COUNTS

        COUNTS["backups"] = lambda today: int(is_too_old(clock.now()))

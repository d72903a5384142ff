"""The office's own processes on a day of the test's choosing: their one clock, and the test's, follows a file.

gunicorn and Celery name this module in place of `rentals.wsgi` and `rentals.celery`.
"""

import datetime
import os
from pathlib import Path

from django.utils import timezone

from rentals.runtime import clock

FILE = "OFFICE_TEST_CLOCK"


class Calendar:
    """What day it is: so far from today, as it stands in a file that every process reads anew."""

    def __init__(self, file: Path) -> None:
        self.file = file

    def go_to(self, day: datetime.date, hour: int = 10) -> None:
        """Let it be that hour of a day, in the office's time zone; from there it goes on by itself."""
        wanted = timezone.make_aware(datetime.datetime.combine(day, datetime.time(hour)))
        beside = self.file.with_suffix(".new")
        beside.write_text(str((wanted - timezone.now()).total_seconds()))
        beside.replace(self.file)

    def now(self) -> datetime.datetime:
        """This instant of the chosen day."""
        return timezone.now() + datetime.timedelta(seconds=float(self.file.read_text()))

    def today(self) -> datetime.date:
        """The chosen day."""
        return timezone.localdate(self.now())


if FILE in os.environ:
    calendar = Calendar(Path(os.environ[FILE]))
    clock.now, clock.today = calendar.now, calendar.today
    from rentals.celery import app
    from rentals.wsgi import application

    __all__ = ["app", "application"]

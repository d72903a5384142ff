"""The one place the clock is read. Views, tasks and commands read it and pass it on; operations and rules are told."""

import datetime

from django.utils import timezone


def now() -> datetime.datetime:
    """Return this instant, aware, in UTC."""
    return timezone.now()


def today() -> datetime.date:
    """Return the calendar date in the office's time zone: the only date money knows."""
    return timezone.localdate()

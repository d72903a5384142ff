"""Quiet hours: when mail that leaves by itself waits, by the office's clock. No database here and no clock.

That a family is not disturbed at night is common practice; no statute about mail is followed here.
"""

import datetime
from dataclasses import dataclass

from django.db.models import F, Q
from django.utils import timezone


@dataclass(frozen=True)
class QuietHours:
    """From `start` (inclusive) until `end` (exclusive), across midnight where `end` comes first."""

    start: datetime.time
    end: datetime.time

    def cover(self, moment: datetime.time) -> bool:
        """Tell whether it is quiet at this time of day.

        >>> night = QuietHours(datetime.time(21), datetime.time(8))
        >>> [night.cover(datetime.time(hour)) for hour in (7, 8, 20, 21)]
        [True, False, False, True]
        """
        if self.start < self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end

    def first_moment(self, at: datetime.datetime) -> datetime.datetime:
        """Return `at` itself where it is not quiet then, else when the quiet hours end; both aware.

        On the night the clock goes forward an end that does not exist comes an hour later by the clock.
        """
        local = timezone.localtime(at)
        if not self.cover(local.time()):
            return at
        return next_time(self.end, after=at)


def next_time(end: datetime.time, *, after: datetime.datetime) -> datetime.datetime:
    """Return when the office's clock next shows `end`, in UTC."""
    local = timezone.localtime(after)
    ends = (
        datetime.datetime.combine(local.date() + datetime.timedelta(days=days), end, local.tzinfo)
        .replace(fold=fold)
        .astimezone(datetime.UTC)
        for days in (0, 1)
        for fold in (0, 1)
    )
    return next(moment for moment in ends if moment > after)


def are_quiet(now: datetime.datetime) -> Q:
    """The messages whose quiet hours it is; never those without any."""
    moment = timezone.localtime(now).time()
    in_a_day = Q(quiet_from__lt=F("quiet_until"), quiet_from__lte=moment, quiet_until__gt=moment)
    across_midnight = Q(quiet_from__gt=F("quiet_until")) & (Q(quiet_from__lte=moment) | Q(quiet_until__gt=moment))
    return Q(quiet_from__isnull=False) & (in_a_day | across_midnight)

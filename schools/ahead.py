"""What comes next at each school: the sign-up night, and the day the van stops there."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

from schools.calendar import closed_days
from schools.models import Night, School, Stop
from schools.rules import next_van_day


@dataclass(frozen=True)
class Ahead:
    """A school's next night and next van day; None where none is planned or no weekday is fixed."""

    night: Night | None
    van_on: datetime.date | None


def van_days(schools: Iterable[School], *, today: datetime.date) -> dict[int, datetime.date]:
    """Return by school the day of the next planned run that stops there, else the van's next weekday with school.

    Two queries; a school without either is left out.
    """
    served = {school.pk: school for school in schools}
    stops = Stop.objects.filter(school__in=served, run__on__gte=today, run__state__in=["planned", "under_way"])
    planned = dict(stops.order_by("-run__on").values_list("school", "run__on"))
    closed = closed_days(served.values(), today=today)
    usual = {
        pk: next_van_day(weekday=school.delivery_weekday, wanted_from=today, today=today, closed=closed[pk])
        for pk, school in served.items()
        if school.delivery_weekday is not None
    }
    return usual | planned


def look_ahead(schools: Iterable[School], *, today: datetime.date) -> dict[int, Ahead]:
    """Return what comes next at each school, by its id; three queries. The van goes to schools that are served only."""
    shown = list(schools)
    states = [Night.State.PLANNED, Night.State.OPEN]
    coming = Night.objects.filter(school__in=[school.pk for school in shown], on__gte=today, state__in=states)
    nights = {night.school_id: night for night in coming.order_by("-on", "-begins_at")}
    days = van_days((school for school in shown if school.is_active), today=today)
    return {school.pk: Ahead(nights.get(school.pk), days.get(school.pk)) for school in shown}

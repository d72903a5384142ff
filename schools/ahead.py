"""What comes next at each school: the sign-up night, and the day the van stops there."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

from schools.calendar import closed_days
from schools.models import Night, School, Stop
from schools.rules import next_van_day


@dataclass(frozen=True)
class Ahead:
    """A school's next night and next van day; None where none is planned or no weekday is fixed.

    `run_id` is the planned run that stops there on that day, None where the day is the van's usual weekday only.
    """

    night: Night | None
    van_on: datetime.date | None
    run_id: int | None = None


def van_days(schools: Iterable[School], *, today: datetime.date) -> dict[int, datetime.date]:
    """Return by school the day of the next planned run that stops there, else the van's next weekday with school.

    Two queries; a school without either is left out.
    """
    return _van(schools, today=today)[0]


def _van(schools: Iterable[School], *, today: datetime.date) -> tuple[dict[int, datetime.date], dict[int, int]]:
    """Return the days as `van_days` does, and by school the run that is planned for that day."""
    served = {school.pk: school for school in schools}
    stops = Stop.objects.filter(school__in=served, run__on__gte=today, run__state__in=["planned", "under_way"])
    coming = list(stops.order_by("-run__on", "-run").values_list("school", "run__on", "run"))
    planned = {school: on for school, on, _run in coming if school}
    closed = closed_days(served.values(), today=today)
    usual = {
        pk: next_van_day(weekday=school.delivery_weekday, wanted_from=today, today=today, closed=closed[pk])
        for pk, school in served.items()
        if school.delivery_weekday is not None
    }
    return usual | planned, {school: run for school, _on, run in coming if school}


def look_ahead(schools: Iterable[School], *, today: datetime.date) -> dict[int, Ahead]:
    """Return what comes next at each school, by its id; three queries. The van goes to schools that are served only."""
    shown = list(schools)
    states = [Night.State.PLANNED, Night.State.OPEN]
    coming = Night.objects.filter(school__in=[school.pk for school in shown], on__gte=today, state__in=states)
    nights = {night.school_id: night for night in coming.order_by("-on", "-begins_at")}
    days, runs = _van((school for school in shown if school.is_active), today=today)
    return {school.pk: Ahead(nights.get(school.pk), days.get(school.pk), runs.get(school.pk)) for school in shown}

"""Which cleanings are due, by week and by school, and how many minutes they come to."""

import datetime
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Case, Count, DateField, F, Func, QuerySet, When
from django.db.models.functions import Coalesce

from rentals.inventory import queries
from rentals.inventory.models import KindService

WEEKS = 8
USUAL_MINUTES = 30
"""What one cleaning takes where the list of services says nothing: common practice, no source."""
SCHOOL = "rented_unit__agreement__student__programme__school"


class Monday(Func):
    """The Monday of the week in which a date lies (ISO 8601 weeks), as a date."""

    template = "CAST(DATE_TRUNC('week', %(expressions)s) AS date)"
    output_field = DateField()


def with_school(rows: QuerySet[Any]) -> QuerySet[Any]:
    """Add the school that an instrument belongs to: the one that has it, or that of the student who rents it."""
    found: QuerySet[Any] = rows.annotate(
        school_id=Coalesce("here__school", SCHOOL), school_name=Coalesce("here__school__name", f"{SCHOOL}__name")
    )
    return found


def list_due(*, on: datetime.date, school: int | None = None, place: str = "") -> QuerySet[Any]:
    """Return the instruments due on or before a day, the longest due first, with `cleaning_due_on` and their school."""
    found = with_school(queries.list_cleanings_due(on))
    if school:
        found = found.filter(school_id=school)
    return found.filter(here__place=place) if place else found


@dataclass
class Load:
    """So many cleanings, and the minutes they come to."""

    count: int = 0
    minutes: int = 0

    def add(self, count: int, minutes: int) -> None:
        """Count more of them."""
        self.count += count
        self.minutes += minutes


@dataclass
class SchoolLoad:
    """A school's share; `school_id` None is what belongs to no school."""

    school_id: int | None
    name: str
    overdue: Load = field(default_factory=Load)
    ahead: Load = field(default_factory=Load)
    weeks: dict[datetime.date, Load] = field(default_factory=lambda: defaultdict(Load))

    @property
    def count(self) -> int:
        """All of it."""
        return self.overdue.count + self.ahead.count

    @property
    def minutes(self) -> int:
        """What all of it comes to."""
        return self.overdue.minutes + self.ahead.minutes


@dataclass(frozen=True)
class Workload:
    """What lies ahead: overdue, by week (each from its Monday), and by school, the most work first."""

    overdue: Load
    weeks: dict[datetime.date, Load]
    schools: list[SchoolLoad]

    @property
    def minutes(self) -> int:
        """What all of it comes to."""
        return self.overdue.minutes + sum(load.minutes for load in self.weeks.values())

    @property
    def count(self) -> int:
        """All of it."""
        return self.overdue.count + sum(load.count for load in self.weeks.values())


def list_usual_minutes() -> dict[str, int]:
    """Return how long a cleaning usually takes by code of the kind, as far as its list of services has one."""
    services = KindService.objects.filter(is_active=True, code__endswith="clean").order_by("kind", "-usual_minutes")
    return dict(services.values_list("kind", "usual_minutes"))


def measure_workload(*, today: datetime.date, minutes_of: dict[str, int]) -> Workload:
    """Measure the cleanings that are overdue and those of this week and the next seven; one query however large the fleet is.

    A cleaning is overdue from the day after it was due. `minutes_of`: usual minutes by code of the kind, else USUAL_MINUTES.
    """
    monday = today - datetime.timedelta(days=today.weekday())
    weeks = {monday + datetime.timedelta(weeks=place): Load() for place in range(WEEKS)}
    last = monday + datetime.timedelta(weeks=WEEKS) - datetime.timedelta(days=1)
    week = Case(When(cleaning_due_on__lt=today, then=None), default=Monday("cleaning_due_on"))
    rows = (
        with_school(queries.list_cleanings_due(last))
        .order_by()
        .annotate(week=week, kind_code=F("item__kind"))
        .values("week", "school_id", "school_name", "kind_code")
        .annotate(count=Count("pk"))
    )
    overdue = Load()
    schools: dict[int | None, SchoolLoad] = {}
    for row in rows:
        minutes = row["count"] * minutes_of.get(row["kind_code"], USUAL_MINUTES)
        school = schools.setdefault(row["school_id"], SchoolLoad(row["school_id"], row["school_name"] or ""))
        if row["week"] is None:
            overdue.add(row["count"], minutes)
            school.overdue.add(row["count"], minutes)
        else:
            weeks[row["week"]].add(row["count"], minutes)
            school.weeks[row["week"]].add(row["count"], minutes)
            school.ahead.add(row["count"], minutes)
    ordered = sorted(schools.values(), key=lambda each: (each.school_id is None, -each.count, each.name))
    return Workload(overdue, weeks, ordered)

"""The calendar of schools: days without school (on which the van does not come), first and last day, concerts."""

import datetime
import re
from collections.abc import Iterable
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Q, QuerySet

from rentals.staff.models import User
from schools.models import District, School, SchoolDay

LONGEST = 120
MOST_LINES = 200
LINE = re.compile(
    r"^(?P<first>\d{1,2}/\d{1,2}/\d{4})(?:\s*(?:-|–|to)\s*(?P<last>\d{1,2}/\d{1,2}/\d{4}))?(?:[\s,;]+(?P<name>.*))?$"
)


class DaysNotReadError(Exception):
    """A list of days cannot be taken in; `lines` says what is wrong, line by line. Nothing was written."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        super().__init__(" ".join(lines))


@dataclass(frozen=True)
class ListedDays:
    """One line of a list: days in a row, both ends included, and what they are called."""

    first_on: datetime.date
    last_on: datetime.date
    name: str


def list_days(*, today: datetime.date, district_id: int | None = None, school: School | None = None) -> QuerySet[SchoolDay]:
    """List what is still ahead for a district, or for a school with what its district has."""
    whose = Q(district=district_id) if school is None else Q(school=school)
    if school is not None and school.district_id is not None:
        whose |= Q(district=school.district_id)
    return SchoolDay.objects.filter(whose, last_on__gte=today).select_related("district", "school").order_by("first_on", "pk")


def closed_days(schools: Iterable[School], *, today: datetime.date) -> dict[int, frozenset[datetime.date]]:
    """Return the days without school from today on, of each school by its id: its own and its district's; one query."""
    served = list({school.pk: school for school in schools}.values())
    districts = {school.district_id for school in served if school.district_id is not None}
    whose = Q(school__in=[school.pk for school in served]) | Q(district__in=districts)
    rows = list(SchoolDay.objects.filter(whose, kind=SchoolDay.Kind.CLOSED, last_on__gte=today))
    return {
        school.pk: frozenset(
            day
            for row in rows
            if row.school_id == school.pk or (row.district_id is not None and row.district_id == school.district_id)
            for day in _each(row)
        )
        for school in served
    }


def read_list(text: str) -> list[ListedDays]:
    """Read a list of days: one line each, `12/21/2026 - 01/01/2027 Winter break`, the second day and the name as you like.

    Raises DaysNotReadError with every line that cannot be read.
    """
    found, wrong = [], []
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    if len(lines) > MOST_LINES:
        raise DaysNotReadError([f"That is {len(lines)} lines: send at most {MOST_LINES} at a time."])
    for number, line in lines:
        try:
            found.append(_read_line(line))
        except ValueError as error:
            wrong.append(f"Line {number}: {error}")
    if wrong or not found:
        raise DaysNotReadError(wrong or ["There is no day in it: write one line for each."])
    return found


@transaction.atomic
def add_days(
    *, kind: str, days: Iterable[ListedDays], acting_user: User, district: District | None = None, school: School | None = None
) -> list[SchoolDay]:
    """Put days into the calendar of a district or of a school, all or none; one that is there takes its new end and name."""
    made = []
    for day in days:
        row, _ = SchoolDay.objects.update_or_create(
            district=district,
            school=school,
            kind=kind,
            first_on=day.first_on,
            defaults={"last_on": day.last_on, "name": day.name},
        )
        made.append(row)
    return made


@transaction.atomic
def remove_day(*, day_id: int, acting_user: User) -> None:
    """Take days out of the calendar; taken out already is fine too."""
    SchoolDay.objects.filter(pk=day_id).delete()


def _read_line(line: str) -> ListedDays:
    parts = LINE.match(line)
    if parts is None:
        message = "begin with a day as month/day/year, like 12/21/2026 - 01/01/2027 Winter break."
        raise ValueError(message)
    first = _day(parts["first"])
    last = _day(parts["last"]) if parts["last"] else first
    if last < first:
        message = f"{parts['last']} comes before {parts['first']}: turn them around."
        raise ValueError(message)
    if (last - first).days >= LONGEST:
        message = f"that is {(last - first).days + 1} days in a row: write at most {LONGEST}."
        raise ValueError(message)
    name = (parts["name"] or "").strip()
    if len(name) > 80:
        message = "the name is longer than 80 letters: shorten it."
        raise ValueError(message)
    return ListedDays(first, last, name)


def _day(written: str) -> datetime.date:
    month, day, year = (int(part) for part in written.split("/"))
    try:
        return datetime.date(year, month, day)
    except ValueError:
        message = f"{written} is no day of the calendar."
        raise ValueError(message) from None


def _each(row: SchoolDay) -> list[datetime.date]:
    return [row.first_on + datetime.timedelta(days=n) for n in range((row.last_on - row.first_on).days + 1)]

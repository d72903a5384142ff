"""What the screens of cleaning days show: the days, and one day's list with where each instrument stands. Initials, no names."""

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q, QuerySet

from rentals.agreements.models import AgreementUnit
from schools.models import CleaningDay, CleaningVisit

ORDER = {"here": 0, "cleaned": 1, "missing": 2, "back": 3}


def list_days() -> QuerySet[Any]:
    """Return all cleaning days, the latest first, with how many were expected, came, were cleaned and went back."""
    counted = CleaningDay.objects.select_related("school", "location").annotate(
        expected=Count("visits", filter=Q(visits__is_expected=True)),
        came=Count("visits", filter=Q(visits__came_at__isnull=False)),
        cleaned=Count("visits", filter=Q(visits__cleaned_at__isnull=False)),
        back=Count("visits", filter=Q(visits__back_at__isnull=False)),
    )
    return counted.order_by("closed_at", "-on", "school__name", "pk")


@dataclass(frozen=True)
class VisitLine:
    """One instrument of the day's list."""

    visit: CleaningVisit
    initials: str
    is_over: bool

    @property
    def state(self) -> str:
        """Where it stands: missing, here, cleaned or back."""
        if self.visit.back_at:
            return "back"
        if self.visit.cleaned_at:
            return "cleaned"
        return "here" if self.visit.came_at else "missing"

    @property
    def words(self) -> tuple[str, str]:
        """Where it stands, in words and a tone."""
        missing = ("Missed", "warn") if self.is_over else ("Not here yet", "quiet")
        return {"back": ("Back", "good"), "cleaned": ("Cleaned, still here", "info"), "here": ("To be cleaned", "warn")}.get(
            self.state, missing
        )


@dataclass(frozen=True)
class DaySheet:
    """A day with its list and its counts."""

    day: CleaningDay
    lines: list[VisitLine]

    def count(self, *states: str) -> int:
        """Count the lines in one of these states."""
        return sum(line.state in states for line in self.lines)

    @property
    def expected(self) -> int:
        """How many were expected."""
        return sum(line.visit.is_expected for line in self.lines)

    @property
    def came(self) -> int:
        """How many came, expected or not."""
        return self.count("here", "cleaned", "back")

    @property
    def missing(self) -> int:
        """How many were expected and did not come."""
        return self.count("missing")

    @property
    def still_here(self) -> int:
        """How many came and did not go back."""
        return self.count("here", "cleaned")


def get_sheet(day: CleaningDay) -> DaySheet:
    """Return a day's list: what is to be done first, then by tag. Two queries however long it is."""
    visits = CleaningVisit.objects.filter(day=day).select_related("instrument__item__kind")
    students = {
        unit.instrument_id: unit.agreement.student.initials
        for unit in AgreementUnit.objects.filter(ended_at=None, instrument__cleaning_visits__day=day).select_related(
            "agreement__student"
        )
    }
    lines = [VisitLine(visit, students.get(visit.instrument_id, ""), bool(day.closed_at)) for visit in visits]
    lines.sort(key=lambda line: (ORDER[line.state], line.visit.instrument.asset_tag))
    return DaySheet(day, lines)

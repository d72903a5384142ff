"""Who in a school's programmes has which instrument: no money, no telephone, no address, so that a director may read it."""

from dataclasses import dataclass

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import OuterRef

from rentals.agreements.models import AgreementUnit, UnitPromise
from rentals.families.models import Student


@dataclass(frozen=True)
class RosterLine:
    """One student of a programme, with the instruments of running agreements."""

    programme: str
    student: str
    grade: int | None
    instruments: list[str]
    tags: list[str]


def list_roster(school_id: int) -> list[RosterLine]:
    """List the students of a school by programme and name, with the tags of what they have now or wait for; one query."""
    units = AgreementUnit.objects.filter(agreement__student=OuterRef("pk"), agreement__ended_on=None, ended_at=None).order_by(
        "pk"
    )
    waiting = UnitPromise.objects.filter(agreement__student=OuterRef("pk"), settled_at=None).order_by("pk")
    students = (
        Student.objects.filter(programme__school=school_id)
        .select_related("programme")
        .annotate(
            tags=ArraySubquery(units.values("instrument__asset_tag")),
            kinds=ArraySubquery(units.values("instrument__item__kind__name")),
            waits_for=ArraySubquery(waiting.values("item__kind__name")),
        )
        .order_by("programme__kind", "family_name", "given_name", "pk")
    )
    return [
        RosterLine(
            programme=student.programme.get_kind_display() if student.programme else "",
            student=f"{student.family_name}, {student.given_name}",
            grade=student.grade,
            instruments=[*student.kinds, *student.waits_for],
            tags=[*student.tags, *["to come"] * len(student.waits_for)],
        )
        for student in students
    ]

"""What a director sees of the own programmes: who has which instrument, where it is, and when the van comes. Nothing else.

Of a student the name, the school year and the programme; no address, telephone, guardian or money is even read here.
"""

import datetime
from dataclasses import dataclass

from django.db.models import F, OuterRef, Q, Subquery

from rentals.agreements.models import AgreementUnit, UnitPromise
from rentals.families.models import Student
from rentals.inventory.models import Custody
from schools.ahead import van_days
from schools.models import Director, Errand, Programme

PLACES = {
    Custody.Place.FAMILY: "With the student",
    Custody.Place.SCHOOL: "At the school",
    Custody.Place.VAN: "In the van",
    Custody.Place.LOST: "Missing",
}
"""Where an instrument is, as a school needs to know it; everything else is "In the shop"."""
WAITS = {Errand.Kind.PICK_UP: "Waits for pick-up", Errand.Kind.DROP_OFF: "Comes with the van"}


@dataclass(frozen=True)
class Line:
    """One student, or one instrument of a student who has two (a loaner beside the own one)."""

    programme_id: int
    student: str
    grade: int | None
    instrument: str = ""
    size: str = ""
    tag: str = ""
    where: str = ""
    waits: str = ""


@dataclass(frozen=True)
class Part:
    """A programme with its lines and the day the van comes next, None where nobody has said one."""

    programme: Programme
    van_on: datetime.date | None
    lines: list[Line]

    @property
    def waiting(self) -> list[Line]:
        """Return what waits for the van."""
        return [line for line in self.lines if line.waits]


def get_director(user_id: int, *, today: datetime.date) -> Director | None:
    """Return who signs in as this person, as long as the last day is not over and the school's consent stands."""
    directors = Director.objects.filter(user=user_id, user__is_active=True)
    in_office = directors.filter(Q(until_on=None) | Q(until_on__gte=today))
    return in_office.filter(consents__withdrawn_at=None, consents__isnull=False).first()


def list_programmes(director: Director) -> list[Programme]:
    """List a director's programmes by school and kind."""
    return list(director.programmes.select_related("school").order_by("school__name", "kind"))


def list_parts(programmes: list[Programme], *, today: datetime.date) -> list[Part]:
    """Return the roster of these programmes, a part each, students by name. Five queries, however many students."""
    lines = _list_lines([programme.pk for programme in programmes])
    days = van_days((each.school for each in programmes), today=today)
    return [Part(each, days.get(each.school_id), [line for line in lines if line.programme_id == each.pk]) for each in programmes]


def _list_lines(programme_ids: list[int]) -> list[Line]:
    """One query over the instruments, over those to come and over the students: each names what it reads, column by column."""
    place = Custody.objects.filter(instrument=OuterRef("instrument"), ended_at=None).values("place")[:1]
    errand = Errand.objects.filter(instrument=OuterRef("instrument"), ended_at=None).values("kind")[:1]
    units = (
        AgreementUnit.objects.filter(agreement__student__programme__in=programme_ids, agreement__ended_on=None, ended_at=None)
        .annotate(place=Subquery(place), errand=Subquery(errand), student=F("agreement__student"))
        .order_by("pk")
        .values_list(
            "student", "instrument__item__kind__name", "instrument__item__size", "instrument__asset_tag", "place", "errand"
        )
    )
    had: dict[int, list[dict[str, str]]] = {}
    for student, kind, size, tag, where, waits in units:
        said = {"instrument": kind, "size": size, "tag": tag, "waits": WAITS.get(waits, "")}
        had.setdefault(student, []).append({**said, "where": PLACES.get(where, "In the shop")})
    waiting = UnitPromise.objects.filter(agreement__student__programme__in=programme_ids, settled_at=None).order_by("pk")
    for student, kind, size in waiting.values_list("agreement__student", "item__kind__name", "item__size"):
        had.setdefault(student, []).append({"instrument": kind, "size": size, "where": "To come"})
    students = Student.objects.filter(programme__in=programme_ids).order_by("family_name", "given_name", "pk")
    return [
        Line(programme_id, f"{family}, {given}", grade, **unit)
        for pk, programme_id, given, family, grade in students.values_list(
            "pk", "programme_id", "given_name", "family_name", "grade"
        )
        for unit in had.get(pk) or [{}]
    ]

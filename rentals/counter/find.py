"""The search of the header: one box that finds what this person may see, and nothing else.

A technician finds instruments, and of the family that has one only the student's initials.
"""

import re
from dataclasses import dataclass

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Count, OuterRef, Q, Subquery

from rentals.agreements.models import Agreement, AgreementUnit
from rentals.families import queries as families
from rentals.families.queries import HouseholdHit
from rentals.inventory import queries as fleet
from rentals.inventory.models import Custody, Instrument
from rentals.staff.models import User
from rentals.staff.policy import may
from schools.models import School

MOST = 8
LEAST = 3
_AGREEMENT = re.compile(r"a-?\s*(\d{1,9})", re.IGNORECASE | re.ASCII)
_CODE = re.compile(r"[A-Z0-9][A-Z0-9 /.-]*", re.ASCII)


@dataclass(frozen=True)
class InstrumentHit:
    """An instrument that was found, and with whom it is in as many words as this person may read."""

    id: int
    tag: str
    serial_number: str
    item: str
    keeper: str
    where: str


@dataclass(frozen=True)
class SchoolHit:
    """A school that was found, and how many instruments it and its students have now."""

    id: int
    name: str
    city: str
    out_now: int


@dataclass(frozen=True)
class AgreementHit:
    """An agreement that was found by its number."""

    id: int
    number: str
    household_id: int
    household: str
    student: str
    item: str


@dataclass(frozen=True)
class Found:
    """Everything that was found, by sort."""

    text: str
    households: list[HouseholdHit]
    instruments: list[InstrumentHit]
    agreements: list[AgreementHit]
    schools: list[SchoolHit]

    @property
    def any(self) -> bool:
        """Whether there is anything."""
        return bool(self.households or self.instruments or self.agreements or self.schools)

    @property
    def is_short(self) -> bool:
        """Whether too little was typed to look."""
        return len(self.text) < LEAST


def find_all(text: str, *, user: User, most: int = MOST) -> Found:
    """Look for families, students, instruments and agreements, each only if this person may see it."""
    text = " ".join(text.replace("\x00", " ").split())[:120]
    if len(text) < LEAST:
        return Found(text, [], [], [], [])
    return Found(
        text=text,
        households=families.search_households(text, most) if may(user, "households.view") else [],
        instruments=_instruments(text, user, most) if may(user, "instruments.view") else [],
        agreements=_agreements(text, most) if may(user, "agreements.view") else [],
        schools=_schools(text, most) if may(user, "schools.view") else [],
    )


def _instruments(text: str, user: User, most: int) -> list[InstrumentHit]:
    """Tags and serial numbers, from the front or by their last signs."""
    code = text.upper()
    if not _CODE.fullmatch(code) or not any(sign.isdigit() for sign in code):
        return []
    ends = Q(pk__in=[])
    for field in ("asset_tag", "serial_number"):
        ends |= Q(**{f"{field}__startswith": code}) | Q(**{f"{field}__endswith": code})
    student = AgreementUnit.objects.filter(instrument=OuterRef("pk"), ended_at=None).order_by("pk")
    names = student.values_list("agreement__student__given_name"), student.values_list("agreement__student__family_name")
    rows = (
        fleet.list_instruments()
        .filter(ends)
        .annotate(given=ArraySubquery(names[0][:1]), family=ArraySubquery(names[1][:1]))
        .order_by("asset_tag")[:most]
    )
    full = may(user, "households.view")
    return [
        InstrumentHit(
            row.pk, row.asset_tag, row.serial_number, f"{row.item.kind}, {row.item}", _keeper(row, full=full), _where(row)
        )
        for row in rows
    ]


def _where(row: Instrument) -> str:
    """Say where it is; of a family no more than that it is with one."""
    here = row.here  # type: ignore[attr-defined]
    if here is None:
        return "nowhere yet"
    keeper = here.location or here.school
    return f"{here.get_place_display().lower()}{f', {keeper}' if keeper else ''}"


def _keeper(row: Instrument, *, full: bool) -> str:
    given, family = "".join(row.given), "".join(row.family)  # type: ignore[attr-defined]
    if not given and not family:
        return ""
    return f"{given} {family}" if full else f"{given[:1]}{family[:1]}".upper()


def _schools(text: str, most: int) -> list[SchoolHit]:
    """Schools by a piece of their name, with the instruments at the school and with its students."""
    if not any(sign.isalpha() for sign in text):
        return []
    rented = AgreementUnit.objects.filter(ended_at=None, agreement__student__programme__school=OuterRef("pk")).order_by()
    there = Custody.objects.filter(ended_at=None, school=OuterRef("pk")).order_by()
    rows = School.objects.filter(name__icontains=text).annotate(
        rented=Subquery(rented.values("agreement__student__programme__school").annotate(n=Count("pk")).values("n")),
        there=Subquery(there.values("school").annotate(n=Count("pk")).values("n")),
    )
    return [
        SchoolHit(row.pk, row.name, row.city, (row.rented or 0) + (row.there or 0)) for row in rows.order_by("name", "pk")[:most]
    ]


def _agreements(text: str, most: int) -> list[AgreementHit]:
    number = _AGREEMENT.fullmatch(text)
    if not number:
        return []
    rows = Agreement.objects.filter(number=f"A-{int(number[1]):06d}").select_related("household", "student", "item__kind")
    return [
        AgreementHit(row.pk, row.number, row.household_id, row.household.name, str(row.student), f"{row.item.kind}, {row.item}")
        for row in rows[:most]
    ]

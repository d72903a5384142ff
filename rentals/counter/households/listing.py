"""Reads behind the list of households."""

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import CharField, F, Func, OrderBy, QuerySet, Sum
from django.db.models.functions import Collate

from billing import chart
from billing.models import Posting
from rentals.families import queries as families
from rentals.families.models import Guardian, Household, Student
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import phone as written_phone

SORTS = {"name", "-name", "number", "-number", "city", "-city", "balance", "-balance"}
MOST_FOUND = 200
"""So many families at most are looked through when a list is narrowed by words."""


@dataclass(frozen=True)
class Filters:
    """What the address asks of the list. Anything it does not understand counts as not asked."""

    text: str = ""
    owing: str = ""
    school: int | None = None
    language: str = ""
    sort: str = "name"

    @classmethod
    def from_query(cls, query: dict[str, str]) -> "Filters":
        """Read the address's parameters."""
        school = query.get("school", "")
        return cls(
            text=query.get("q", "").strip(),
            owing=query.get("owing", "") if query.get("owing") in {"owing", "credit"} else "",
            school=int(school) if school.isascii() and school.isdigit() and len(school) < 10 else None,
            language=query.get("language", "") if query.get("language") in {"en", "es"} else "",
            sort=query.get("sort", "") if query.get("sort") in SORTS else "name",
        )

    @property
    def any(self) -> bool:
        """Whether the list is narrowed."""
        return bool(self.text or self.owing or self.school or self.language)


@dataclass
class HouseholdRow:
    """One line of the list."""

    id: int
    number: str
    name: str
    city: str
    language: str
    balance: Decimal
    guardians: list[str] = field(default_factory=list)
    phone: str = ""
    email: str = ""
    students: list[str] = field(default_factory=list)


def list_households(filters: Filters) -> QuerySet[Household]:
    """List the households that match, in the order asked for, ties by id. Balances are read for one page at a time."""
    rows: Any = Household.objects.all()
    if filters.text:
        rows = rows.filter(pk__in=families.find_household_ids(filters.text, MOST_FOUND))
    if filters.school:
        rows = rows.filter(pk__in=Student.objects.filter(programme__school=filters.school).values("household"))
    if filters.language:
        rows = rows.filter(language=filters.language)
    if filters.owing or filters.sort.endswith("balance"):
        rows = rows.filter(postings__account=chart.RECEIVABLES).annotate(owed=Sum("postings__amount"))
    if filters.owing:
        rows = rows.filter(owed__gt=0) if filters.owing == "owing" else rows.filter(owed__lt=0)
    ordered: QuerySet[Household] = rows.order_by(*_order(filters.sort))
    return ordered


def _order(sort: str) -> list[OrderBy]:
    down = sort.startswith("-")
    orders: dict[str, list[Any]] = {
        "name": [Collate(Func("name", function="plain", output_field=CharField()), "C"), F("name"), F("pk")],
        "number": [F("number")],
        "city": [F("city"), F("pk")],
        "balance": [F("owed"), F("pk")],
    }
    return [key.desc() if down else key.asc() for key in orders[sort.removeprefix("-")]]


def describe(households: list[Household]) -> list[HouseholdRow]:
    """Read what the list shows of these households: three queries for a page, whatever is on it."""
    ids = [household.pk for household in households]
    sums = Posting.objects.filter(household__in=ids, account=chart.RECEIVABLES).values("household").annotate(sum=Sum("amount"))
    owed = dict(sums.order_by().values_list("household", "sum"))
    rows = {
        household.pk: HouseholdRow(
            id=household.pk,
            number=household.number,
            name=household.name,
            city=household.city,
            language=household.get_language_display(),
            balance=owed.get(household.pk, ZERO),
        )
        for household in households
    }
    for guardian in Guardian.objects.filter(household__in=ids).order_by("-is_primary", "pk"):
        row = rows[guardian.household_id]
        row.guardians.append(str(guardian))
        row.phone = row.phone or written_phone(guardian.phone)
        row.email = row.email or guardian.email
    for student in Student.objects.filter(household__in=ids).order_by("pk"):
        rows[student.household_id].students.append(str(student))
    return list(rows.values())

"""Find families by what somebody typed: a beginning first, then a fragment, then a name that sounds misspelt.

A beginning is one statement. What no key begins with is a second one, and in it a later stage runs only when the earlier ones
found nothing.
"""

from dataclasses import dataclass
from typing import Any

from django.db import connection

from rentals.families.models import Guardian, Household, Student
from rentals.families.rules import Asked, Sought, classify, near_spellings, plain_ascii
from rentals.runtime.templatetags.office import phone as written_phone

LONGEST_LOOK = 60
"""How many keys a search reads before it stops: a family stands under several, and nobody reads sixty answers."""
LEAST_INSIDE = 3
"""From how many letters on a part from the middle of a word is looked for."""

BEGINNING = "SELECT * FROM search_beginning(%s, %s, %s, %s)"
NAMES = "SELECT * FROM search_names(%s, %s, %s, %s, %s, %s, %s)"
"""Functions of the database (families, 0006): a session plans what stands in them once, which took longer than the looking."""


@dataclass(frozen=True)
class HouseholdHit:
    """One family as a search shows it; `rank` counts from 1, the likeliest first."""

    household_id: int
    number: str
    name: str
    guardians: str
    phone: str
    city: str
    students: str
    rank: int


def search_households(text: str, limit: int = 10) -> list[HouseholdHit]:
    """Find households by a name, a telephone's last or first digits, an e-mail address or a household number.

    Three letters or three digits are enough. The likeliest come first; an empty list when nothing comes near.
    """
    return describe_households(find_household_ids(text, limit))


def find_household_ids(text: str, limit: int = 10) -> list[int]:
    """Do the search itself: ids of households, the likeliest first."""
    asked = classify(text)
    if asked.sought is Sought.NOTHING:
        return []
    if asked.sought is Sought.NUMBER:
        return list(Household.objects.filter(number=asked.text).values_list("pk", flat=True))
    if asked.sought is Sought.EMAIL:
        return _beginning(Kind.EMAIL, asked.text, limit)
    if asked.sought is Sought.PHONE:
        return _beginning(Kind.PHONE_END, asked.text[::-1], limit) or _beginning(Kind.PHONE, asked.text, limit)
    return _by_name(asked, limit)


def describe_households(household_ids: list[int]) -> list[HouseholdHit]:
    """Read what a hit shows for each household, in the order given. Three queries, whatever the number."""
    if not household_ids:
        return []
    households = Household.objects.in_bulk(household_ids)
    guardians: dict[int, list[Guardian]] = {}
    for guardian in Guardian.objects.filter(household_id__in=household_ids).order_by("-is_primary", "pk"):
        guardians.setdefault(guardian.household_id, []).append(guardian)
    students: dict[int, list[str]] = {}
    for student in Student.objects.filter(household_id__in=household_ids).order_by("pk"):
        students.setdefault(student.household_id, []).append(str(student))
    return [
        HouseholdHit(
            household_id=pk,
            number=households[pk].number,
            name=households[pk].name,
            guardians=", ".join(str(guardian) for guardian in guardians.get(pk, [])),
            phone=next((written_phone(guardian.phone) for guardian in guardians.get(pk, []) if guardian.phone), ""),
            city=households[pk].city,
            students=", ".join(students.get(pk, [])),
            rank=rank,
        )
        for rank, pk in enumerate((pk for pk in household_ids if pk in households), start=1)
    ]


class Kind:
    """The kinds of keys, as they stand in the index."""

    NAME, PHONE, PHONE_END, EMAIL = "n", "d", "p", "e"


def _beginning(kind: str, key: str, limit: int) -> list[int]:
    return _ids(BEGINNING, kind, key, LONGEST_LOOK, limit) if key else []


def _by_name(asked: Asked, limit: int) -> list[int]:
    """A beginning; else the words each somewhere, or a part from the middle of one; else a name that is spelt nearly so."""
    words = plain_words(asked.text)
    found = _beginning(Kind.NAME, " ".join(words), limit)
    if found or not words:
        return found
    first, last = words[0], words[-1] if len(words) > 1 else ""
    if last:  # "riv an" and "ana rivera" are Ana Maria Rivera: the first word begins a key, each other one a word of it
        patterns = [f"% {_escaped(word)}%" for word in words[1:6]]
    else:  # "vera" is Rivera
        patterns = [f"%{_escaped(first)}%" if len(first) >= LEAST_INSIDE else ""]
    near = " ".join(near_spellings(first)), " ".join(near_spellings(last)) if last else ""
    return _ids(NAMES, first, last, patterns, *near, LONGEST_LOOK, limit)


def plain_words(text: str) -> list[str]:
    """Return the words of a name as the index spells them: small letters, no accents, no punctuation."""
    plain = plain_ascii(text)
    if plain is not None:
        return plain
    with connection.cursor() as cursor:
        cursor.execute("SELECT search_words(%s)", [text])
        return str(cursor.fetchone()[0]).split()


def _escaped(word: str) -> str:
    return word.replace("\\", "\\\\").replace("%", r"\%").replace("_", r"\_")


def _ids(statement: str, *parameters: Any) -> list[int]:
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)
        return [int(row[0]) for row in cursor.fetchall()]

"""The family of an envelope: found when it is surely written down already, else written down, once for all its children.

Tablets send at once: a new family is looked for and written down by one after the other, a known one is locked.
"""

import unicodedata
from dataclasses import dataclass
from typing import Any

from rentals.counter.nights.intake.envelope import Envelope
from rentals.families import operations as families
from rentals.families.models import Guardian, Household, Student
from rentals.families.queries import find_same_household
from rentals.runtime import locks
from rentals.staff.models import User
from schools.models import Programme


class FamilyGoneError(Exception):
    """The family, adult or student that was chosen on the tablet is not there any more, or belongs to another family."""

    def __init__(self) -> None:
        super().__init__("The family, its adult or its student was changed at the office since the tablet took its list along.")


@dataclass(frozen=True)
class People:
    """Who signs and for whom, as they are written down."""

    household: Household
    guardian: Guardian
    student: Student


def find_or_make(envelope: Envelope, programme: Programme | None, acting_user: User) -> People:
    """Return the people of an envelope, written down. Inside the operation that takes it in. Raises FamilyGoneError."""
    household, guardian = _household_and_guardian(envelope, acting_user)
    return People(household, guardian, _student(envelope, household, programme, acting_user))


def _household_and_guardian(envelope: Envelope, acting_user: User) -> tuple[Household, Guardian]:
    if isinstance(envelope.household, int):
        household = _lock(envelope.household)
        return household, _guardian(envelope.guardian, household, acting_user)
    assert isinstance(envelope.guardian, dict)
    told, adult = envelope.household, envelope.guardian
    reached = {name: adult[name] for name in ("family_name", "phone", "email")}
    locks.lock_name(f"new family {_plain(adult['family_name'])}")
    known = find_same_household(**reached, street=told["street"], postal_code=told["postal_code"])
    if known is not None:
        household = _lock(known)
        return household, _guardian(adult, household, acting_user)
    household = families.add_household(**told, guardian=adult, acting_user=acting_user)
    return household, household.guardians.get()


def _lock(household_id: int) -> Household:
    """Lock a family, so that its adults and students are added, and what it signed is looked at, one after the other."""
    try:
        household: Household = locks.lock_one(Household.objects.filter(pk=household_id))
    except Household.DoesNotExist as error:
        raise FamilyGoneError from error
    return household


def _plain(name: str) -> str:
    """Return the letters of a name without case and marks: what is the same to anybody has the same ones."""
    letters = unicodedata.normalize("NFKD", name)
    return "".join(letter for letter in letters if letter.isalnum()).casefold()


def _guardian(told: int | dict[str, Any], household: Household, acting_user: User) -> Guardian:
    if isinstance(told, int):
        found = household.guardians.filter(pk=told).first()
        if found is None:
            raise FamilyGoneError
        return found
    names = {"given_name__iexact": told["given_name"], "family_name__iexact": told["family_name"]}
    known = household.guardians.filter(**names).order_by("pk").first()
    return known or families.add_guardian(household=household, **told, acting_user=acting_user)


def _student(envelope: Envelope, household: Household, programme: Programme | None, acting_user: User) -> Student:
    told = envelope.student
    if isinstance(told, int):
        found = household.students.filter(pk=told).first()
        if found is None:
            raise FamilyGoneError
        return found
    names = {"given_name__iexact": told["given_name"], "family_name__iexact": told["family_name"]}
    known = household.students.filter(**names).order_by("pk").first()
    return known or families.add_student(household=household, programme=programme, **told, acting_user=acting_user)

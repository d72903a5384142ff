"""The family of an envelope: found when it is surely written down already, else written down, once for all its children."""

from dataclasses import dataclass
from typing import Any

from rentals.counter.nights.intake.envelope import Envelope
from rentals.families import operations as families
from rentals.families.models import Guardian, Household, Student
from rentals.families.queries import find_same_household
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
        household = Household.objects.filter(pk=envelope.household).first()
        if household is None:
            raise FamilyGoneError
        return household, _guardian(envelope.guardian, household, acting_user)
    assert isinstance(envelope.guardian, dict)
    told, adult = envelope.household, envelope.guardian
    reached = {name: adult[name] for name in ("family_name", "phone", "email")}
    known = find_same_household(**reached, street=told["street"], postal_code=told["postal_code"])
    if known is not None:
        household = Household.objects.get(pk=known)
        return household, _guardian(adult, household, acting_user)
    household = families.add_household(**told, guardian=adult, acting_user=acting_user)
    return household, household.guardians.get()


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

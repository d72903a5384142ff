"""Every write about a family. Nothing here looks for duplicates: the screen offers those before it asks to make a household."""

from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import F

from rentals.documents import outbox
from rentals.families.models import Consent, Guardian, Household, Student
from rentals.runtime.locks import lock_one, lock_rows
from rentals.staff import operations as staff_operations
from rentals.staff.models import User
from schools.models import Programme

HOUSEHOLD_FIELDS = ("name", "street", "unit", "city", "state", "postal_code", "language", "notes")
GUARDIAN_FIELDS = ("given_name", "family_name", "phone", "email")
STUDENT_FIELDS = ("given_name", "family_name", "grade", "programme")


class HouseholdChangedError(Exception):
    """Somebody saved the household after this person opened it; `household` is how it stands now."""

    def __init__(self, household: Household) -> None:
        super().__init__(f"Household {household.number} was changed meanwhile.")
        self.household = household


class GuardianUnreachableError(Exception):
    """A guardian without telephone and without e-mail cannot be asked anything."""


class ConsentAlreadyGivenError(Exception):
    """The guardian's consent of this kind, in these words, is already in force; `consent` is that one."""

    def __init__(self, consent: Consent) -> None:
        super().__init__("This consent is already in force.")
        self.consent = consent


class ConsentNotInForceError(Exception):
    """A consent that was already taken back cannot be taken back again."""


@transaction.atomic
def add_household(
    *,
    name: str,
    street: str,
    city: str,
    state: str,
    postal_code: str,
    guardian: dict[str, str],
    acting_user: User,
    unit: str = "",
    language: str = "en",
    notes: str = "",
    request_key: UUID | None = None,
) -> Household:
    """Make a household with its first guardian and return it, numbered ("H-00001").

    `guardian` holds given_name, family_name, phone (E.164 or "") and email; one of the last two must be there.
    With a `request_key` the same request sent again returns the same household. May run inside a larger sign-up.

    Raises GuardianUnreachableError; RequestKeyReusedError when the key came with other contents.
    """
    fields = {"name": name, "street": street, "unit": unit, "city": city, "state": state, "postal_code": postal_code}
    fields |= {"language": language, "notes": notes}
    request = {**fields, "guardian": guardian}
    if request_key:
        earlier = staff_operations.claim_request(
            key=request_key, purpose="add_household", request=request, acting_user=acting_user
        )
        if earlier is not None:
            return Household.objects.get(pk=earlier["household_id"])
    _refuse_unreachable(guardian)
    household = Household(**fields, number=f"H-{staff_operations.take_number('household'):05d}")
    household.save(force_insert=True)
    Guardian.objects.create(household=household, is_primary=True, **guardian)
    if request_key:
        staff_operations.keep_answer(key=request_key, answer={"household_id": household.pk})
    return household


@transaction.atomic
def change_household(*, household_id: int, version: int, changes: dict[str, str], acting_user: User) -> Household:
    """Change a household's own fields if it is still at `version`, and return it one version on.

    Raises HouseholdChangedError when somebody was faster, ValueError for a field a household does not have.
    """
    _refuse_unknown(changes, HOUSEHOLD_FIELDS)
    household: Household = lock_one(Household.objects.filter(pk=household_id))
    if household.version != version:
        raise HouseholdChangedError(household)
    for field, value in changes.items():
        setattr(household, field, value)
    household.version += 1
    household.save(update_fields=[*changes, "version"])
    return household


@transaction.atomic
def add_guardian(
    *,
    household: Household,
    given_name: str,
    family_name: str,
    phone: str,
    email: str,
    acting_user: User,
    is_primary: bool = False,
) -> Guardian:
    """Add a guardian; as the primary one, the guardian who was primary before no longer is.

    Raises GuardianUnreachableError.
    """
    fields = {"given_name": given_name, "family_name": family_name, "phone": phone, "email": email}
    _refuse_unreachable(fields)
    lock_one(Household.objects.filter(pk=household.pk))
    if is_primary:
        _step_back(household.pk)
    return Guardian.objects.create(household=household, is_primary=is_primary, **fields)


@transaction.atomic
def change_guardian(
    *, guardian_id: int, version: int, changes: dict[str, str], acting_user: User, is_primary: bool = False
) -> Guardian:
    """Change a guardian's fields while the household is still at `version`; `is_primary` makes this one the first to be asked.

    Another mail address is one that nothing has come back from yet, and mails that wait go there.
    Raises HouseholdChangedError, GuardianUnreachableError.
    """
    _refuse_unknown(changes, GUARDIAN_FIELDS)
    guardian = Guardian.objects.get(pk=guardian_id)
    bump_version(guardian.household_id, version)
    guardian.refresh_from_db()
    if changes.get("email", guardian.email) != guardian.email:
        guardian.mail_failed_at = None
        outbox.follow_address(guardian_id=guardian.pk, earlier=guardian.email, address=changes["email"])
    for field, value in changes.items():
        setattr(guardian, field, value)
    _refuse_unreachable({"phone": guardian.phone, "email": guardian.email})
    if is_primary and not guardian.is_primary:
        _step_back(guardian.household_id)
        guardian.is_primary = True
    guardian.save(update_fields=[*changes, "is_primary", "mail_failed_at"])
    return guardian


@transaction.atomic
def add_student(
    *,
    household: Household,
    given_name: str,
    family_name: str,
    acting_user: User,
    grade: int | None = None,
    programme: Programme | None = None,
) -> Student:
    """Add a student: a name, the school year (0 is kindergarten) and the programme. Never a birth date."""
    return Student.objects.create(
        household=household, given_name=given_name, family_name=family_name, grade=grade, programme=programme
    )


@transaction.atomic
def change_student(*, student_id: int, version: int, changes: dict[str, Any], acting_user: User) -> Student:
    """Change a student's fields while the household is still at `version`. Raises HouseholdChangedError."""
    _refuse_unknown(changes, STUDENT_FIELDS)
    student = Student.objects.get(pk=student_id)
    bump_version(student.household_id, version)
    student.refresh_from_db()
    for field, value in changes.items():
        setattr(student, field, value)
    student.save(update_fields=list(changes))
    return student


@transaction.atomic
def move_student(*, student: Student, household: Household, acting_user: User) -> Student:
    """Let a student belong to another household from now on; return the student. Both households go one version on."""
    lock_rows(Household.objects.filter(pk__in=[student.household_id, household.pk]))
    Household.objects.filter(pk__in=[student.household_id, household.pk]).update(version=F("version") + 1)
    student.household = household
    student.save(update_fields=["household"])
    return student


@transaction.atomic
def record_consent(
    *, guardian: Guardian, kind: str, wording: str, wording_version: str, acting_user: User, now: datetime
) -> Consent:
    """Record what a guardian agreed to, word for word. A consent to earlier words ends where this one begins.

    Raises ConsentAlreadyGivenError when the same words are already in force.
    """
    lock_one(Household.objects.filter(pk=guardian.household_id))
    for earlier in Consent.objects.filter(guardian=guardian, kind=kind, withdrawn_at=None):
        if (earlier.wording, earlier.wording_version) == (wording, wording_version):
            raise ConsentAlreadyGivenError(earlier)
        earlier.withdrawn_at = now
        earlier.save(update_fields=["withdrawn_at"])
    return Consent.objects.create(
        guardian=guardian, kind=kind, wording=wording, wording_version=wording_version, given_at=now, taken_by=acting_user
    )


@transaction.atomic
def withdraw_consent(*, consent_id: int, acting_user: User, now: datetime) -> Consent:
    """Take a consent back; what was signed under it stays signed. Raises ConsentNotInForceError."""
    consent: Consent = lock_one(Consent.objects.filter(pk=consent_id))
    if consent.withdrawn_at is not None:
        raise ConsentNotInForceError
    consent.withdrawn_at = now
    consent.save(update_fields=["withdrawn_at"])
    return consent


def _refuse_unreachable(fields: dict[str, str]) -> None:
    if not (fields.get("phone") or fields.get("email")):
        message = "Give a telephone number or an e-mail address, so that the family can be reached."
        raise GuardianUnreachableError(message)


def _refuse_unknown(changes: dict[str, Any], allowed: tuple[str, ...]) -> None:
    unknown = sorted(set(changes) - set(allowed))
    if unknown:
        message = f"not to be changed here: {', '.join(unknown)}"
        raise ValueError(message)


def bump_version(household_id: int, version: int) -> None:
    """Lock the household, hold it against the version that was shown, and move it one on."""
    household: Household = lock_one(Household.objects.filter(pk=household_id))
    if household.version != version:
        raise HouseholdChangedError(household)
    household.version += 1
    household.save(update_fields=["version"])


def _step_back(household_id: int) -> None:
    Guardian.objects.filter(household_id=household_id, is_primary=True).update(is_primary=False)

"""Writes about families: what is made, and what is refused."""

from datetime import UTC, datetime
from uuid import uuid4

import pytest

from rentals.families import operations
from rentals.families.models import Consent, Guardian, Household
from rentals.staff.models import Role, User
from rentals.staff.operations import RequestKeyReusedError
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 9, 1, 15, tzinfo=UTC)
GUARDIAN = {"given_name": "Ana", "family_name": "Rivera", "phone": "+13125550142", "email": "ana@example.com"}
HOUSEHOLD = {"name": "Rivera", "street": "12 Oak Street", "city": "Springdale", "state": "IL", "postal_code": "62704"}


@pytest.fixture
def specialist():
    return User.objects.create_user(email="robin@rentals.example", name="Robin", role=Role.SPECIALIST)


class TestAddHousehold:
    def test_makes_the_family_with_its_guardian_and_number(self, specialist):
        household = operations.add_household(**HOUSEHOLD, guardian=GUARDIAN, acting_user=specialist)
        assert household.number == "H-00001"
        assert str(household.guardians.get(is_primary=True)) == "Ana Rivera"
        assert operations.add_household(**HOUSEHOLD, guardian=GUARDIAN, acting_user=specialist).number == "H-00002"

    def test_the_same_request_makes_it_once(self, specialist):
        key = uuid4()
        first = operations.add_household(**HOUSEHOLD, guardian=GUARDIAN, acting_user=specialist, request_key=key)
        again = operations.add_household(**HOUSEHOLD, guardian=GUARDIAN, acting_user=specialist, request_key=key)
        assert (again.pk, Household.objects.count(), Guardian.objects.count()) == (first.pk, 1, 1)

    def test_refuses_a_key_that_came_with_other_contents(self, specialist):
        key = uuid4()
        operations.add_household(**HOUSEHOLD, guardian=GUARDIAN, acting_user=specialist, request_key=key)
        with pytest.raises(RequestKeyReusedError):
            other = {**HOUSEHOLD, "street": "13 Oak Street"}
            operations.add_household(**other, guardian=GUARDIAN, acting_user=specialist, request_key=key)

    def test_refuses_a_family_that_cannot_be_reached(self, specialist):
        with pytest.raises(operations.GuardianUnreachableError):
            operations.add_household(**HOUSEHOLD, guardian={**GUARDIAN, "phone": "", "email": ""}, acting_user=specialist)
        assert not Household.objects.exists()


class TestChangeHousehold:
    def test_changes_and_moves_on(self, specialist):
        household = HouseholdFactory()
        changed = operations.change_household(
            household_id=household.pk, version=1, changes={"street": "1 New Street"}, acting_user=specialist
        )
        household.refresh_from_db()
        assert (household.street, household.version, changed.version) == ("1 New Street", 2, 2)
        assert household.events.count() == 2

    def test_refuses_when_somebody_was_faster(self, specialist):
        household = HouseholdFactory(version=3)
        with pytest.raises(operations.HouseholdChangedError) as refused:
            operations.change_household(household_id=household.pk, version=2, changes={"city": "X"}, acting_user=specialist)
        assert refused.value.household.version == 3

    def test_refuses_what_is_not_a_field_of_the_form(self, specialist):
        household = HouseholdFactory()
        with pytest.raises(ValueError, match="number"):
            operations.change_household(
                household_id=household.pk, version=1, changes={"number": "H-00009"}, acting_user=specialist
            )


class TestGuardians:
    def test_a_second_one_may_become_the_first(self, specialist):
        household = HouseholdFactory()
        second = operations.add_guardian(household=household, **GUARDIAN, acting_user=specialist, is_primary=True)
        assert list(household.guardians.filter(is_primary=True)) == [second]

    def test_a_change_asks_for_the_version_that_was_shown(self, specialist):
        guardian = GuardianFactory(household=HouseholdFactory(guardian=None, version=4))
        with pytest.raises(operations.HouseholdChangedError):
            operations.change_guardian(guardian_id=guardian.pk, version=3, changes={"phone": ""}, acting_user=specialist)
        operations.change_guardian(guardian_id=guardian.pk, version=4, changes={"phone": ""}, acting_user=specialist)
        guardian.refresh_from_db()
        assert (guardian.phone, guardian.household.version) == ("", 5)

    def test_refuses_to_lose_the_last_way_to_reach_somebody(self, specialist):
        guardian = GuardianFactory(email="")
        with pytest.raises(operations.GuardianUnreachableError):
            operations.change_guardian(guardian_id=guardian.pk, version=1, changes={"phone": ""}, acting_user=specialist)


class TestStudents:
    def test_adds_and_changes_one(self, specialist):
        household, programme = HouseholdFactory(), ProgrammeFactory()
        student = operations.add_student(
            household=household, given_name="Sky", family_name="Rivera", grade=5, programme=programme, acting_user=specialist
        )
        operations.change_student(student_id=student.pk, version=1, changes={"grade": 6}, acting_user=specialist)
        student.refresh_from_db()
        assert (student.grade, student.programme, student.initials) == (6, programme, "SR")

    def test_keeps_no_birth_date(self):
        kinds = {field.get_internal_type() for field in StudentFactory._meta.model._meta.get_fields() if field.concrete}
        assert not kinds & {"DateField", "DateTimeField", "ImageField", "FileField"}


class TestRecordConsent:
    WORDS = {"kind": Consent.Kind.ELECTRONIC_RECORDS, "wording": "I agree.", "wording_version": "1"}

    def test_keeps_the_words_and_who_took_it(self, specialist):
        consent = operations.record_consent(guardian=GuardianFactory(), **self.WORDS, acting_user=specialist, now=NOW)
        assert (consent.wording, consent.given_at, consent.taken_by) == ("I agree.", NOW, specialist)

    def test_refuses_the_same_words_twice_and_follows_older_words(self, specialist):
        guardian = GuardianFactory()
        first = operations.record_consent(guardian=guardian, **self.WORDS, acting_user=specialist, now=NOW)
        with pytest.raises(operations.ConsentAlreadyGivenError) as refused:
            operations.record_consent(guardian=guardian, **self.WORDS, acting_user=specialist, now=NOW)
        assert refused.value.consent == first
        newer = {**self.WORDS, "wording_version": "2"}
        second = operations.record_consent(guardian=guardian, **newer, acting_user=specialist, now=NOW)
        assert list(guardian.consents.filter(withdrawn_at=None)) == [second]

    def test_is_taken_back_once(self, specialist):
        consent = operations.record_consent(guardian=GuardianFactory(), **self.WORDS, acting_user=specialist, now=NOW)
        assert operations.withdraw_consent(consent_id=consent.pk, acting_user=specialist, now=NOW).withdrawn_at == NOW
        with pytest.raises(operations.ConsentNotInForceError):
            operations.withdraw_consent(consent_id=consent.pk, acting_user=specialist, now=NOW)

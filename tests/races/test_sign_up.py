"""The same sign-up sent eight times at once: one agreement, one set of charges, one payment, the same answer for all."""

import dataclasses

from billing.models import Charge, Payment
from rentals.agreements import drafts
from rentals.agreements.models import Agreement
from rentals.counter.signup.operations import FirstPayment, complete_sign_up
from rentals.families.models import Student
from tests.agreements.test_operations import NOW, TODAY, a_signup, world
from tests.factories import SpecialistFactory


def test_sent_eight_times_at_once_it_is_made_once(race, transactional_db):
    world()
    signup, user = a_signup(), SpecialistFactory()
    draft = drafts.begin_draft(household=signup.household, answers={}, acting_user=user, now=NOW)
    unwritten = Student(household=signup.household, given_name="Sky", family_name="Sample")
    signup = dataclasses.replace(signup, request_key=draft.pk, student=unwritten)
    before = Student.objects.count()

    def send():
        return complete_sign_up(
            draft=draft,
            signup=signup,
            payment=FirstPayment("cash", 100),
            acting_user=user,
            now=NOW,
            today=TODAY,
        ).number

    assert race(*[send] * 8, seconds=60) == ["A-000001"] * 8
    assert Agreement.objects.count() == Payment.objects.count() == 1
    assert Charge.objects.count() == 2
    assert Student.objects.count() == before + 1

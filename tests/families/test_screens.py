"""Screens that write families down, through the test client."""

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from rentals.families.forms import AddHouseholdForm, GuardianForm
from rentals.families.models import Guardian, Household, Student
from rentals.families.rules import Sought, classify
from tests.families.factories import GuardianFactory, HouseholdFactory
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db

FAMILY = {
    "given_name": "Ana",
    "family_name": "Rivera",
    "phone": "(312) 555-0142",
    "email": "ana@example.com",
    "street": "12 Oak Street",
    "unit": "",
    "city": "Springdale",
    "state": "il",
    "postal_code": "62704",
    "language": "en",
    "name": "",
}
SPELLINGS = [
    "3125550142",
    "312-555-0142",
    "(312) 555-0142",
    "312.555.0142",
    "312 555 0142",
    "+1 312 555 0142",
    "+13125550142",
    "1-312-555-0142",
    "1 (312) 555 0142",
    " 312 555 0142 ",
    "312\u00a0555\u00a00142",
    "312–555–0142",
]


def filled(**other):
    """The form as it is sent, with its own key."""
    key = AddHouseholdForm()["request_key"].value()
    return {**FAMILY, "request_key": str(key), **other}


@pytest.fixture
def specialist(client_as):
    return client_as("specialist")


class TestPhoneSpellings:
    @pytest.mark.parametrize("spelling", SPELLINGS)
    def test_twelve_spellings_are_one_number(self, spelling):
        form = AddHouseholdForm(filled(phone=spelling))
        assert form.is_valid(), form.errors
        assert form.guardian()["phone"] == "+13125550142"

    @given(st.lists(st.sampled_from([" ", "-", ".", "(", ")", ""]), min_size=9, max_size=9))
    def test_any_signs_between_the_digits_are_looked_for_as_the_digits(self, signs):
        text = "".join(digit + sign for digit, sign in zip("3125550142", [*signs, ""], strict=True))
        asked = classify(text)
        assert (asked.sought, asked.text) == (Sought.PHONE, "3125550142")

    def test_shows_back_what_was_typed(self, specialist):
        page = specialist.post(reverse("household_add"), filled(phone="312 . 555", street=""))
        assert page.status_code == 422
        assert 'value="312 . 555"' in page.text


class TestAddHousehold:
    def test_writes_the_family_down_and_opens_its_page(self, specialist):
        answer = specialist.post(reverse("household_add"), filled())
        household = Household.objects.get()
        assert answer.url == reverse("household", args=[household.pk])
        assert (household.name, household.state, household.guardians.get().phone) == ("Rivera", "IL", "+13125550142")

    def test_offers_a_likely_duplicate_and_saves_nothing(self, specialist):
        known = HouseholdFactory(name="Rivera", guardian__phone="+13125550142")
        answer = specialist.post(reverse("household_add"), filled())
        assert answer.status_code == 409
        assert "This may be the same family" in answer.text
        assert reverse("household", args=[known.pk]) in answer.text
        assert 'value="12 Oak Street"' in answer.text
        assert Household.objects.count() == 1

    def test_creates_anyway_when_asked(self, specialist):
        HouseholdFactory(name="Rivera", guardian__phone="+13125550142")
        assert specialist.post(reverse("household_add"), filled(anyway="yes")).status_code == 302
        assert Household.objects.count() == 2

    def test_the_same_form_sent_twice_makes_one_family(self, specialist):
        form = filled()
        first = specialist.post(reverse("household_add"), {**form, "anyway": "yes"})
        again = specialist.post(reverse("household_add"), {**form, "anyway": "yes"})
        assert first.url == again.url
        assert Household.objects.count() == 1

    def test_a_form_that_was_sent_before_with_other_contents_is_refused_kindly(self, specialist):
        form = filled(anyway="yes")
        specialist.post(reverse("household_add"), form)
        answer = specialist.post(reverse("household_add"), {**form, "street": "99 Elm Street"})
        assert answer.status_code == 422
        assert "already sent with other contents" in answer.text

    def test_an_empty_form_says_everything_that_is_missing(self, specialist):
        answer = specialist.post(reverse("household_add"), {"request_key": filled()["request_key"]})
        assert answer.status_code == 422
        assert "Error: " in answer.text
        for sentence in ("Write the guardian&#x27;s first name.", "Write the ZIP code.", "so that the family can be reached"):
            assert sentence in answer.text

    @pytest.mark.parametrize(("field", "value"), [("state", "ZZ"), ("postal_code", "627"), ("email", "ana@"), ("phone", "12")])
    def test_refuses_what_cannot_be(self, specialist, field, value):
        answer = specialist.post(reverse("household_add"), filled(**{field: value}))
        assert answer.status_code == 422
        assert f'value="{value}"' in answer.text
        assert not Household.objects.exists()

    def test_carries_over_what_was_searched_for(self, specialist):
        assert 'value="Rivera"' in specialist.get(reverse("household_add"), {"q": "Ana Rivera"}).text
        assert 'value="5550142"' in specialist.get(reverse("household_add"), {"q": "5550142"}).text

    def test_ignores_fields_that_are_not_on_the_form(self, specialist):
        specialist.post(reverse("household_add"), filled(number="H-77777", version="9", notes="planted"))
        household = Household.objects.get()
        assert (household.number, household.version, household.notes) == ("H-00001", 1, "")

    @pytest.mark.parametrize("role", ["bookkeeper", "technician", "administrator"])
    def test_is_closed_to_others(self, client_as, role):
        assert client_as(role).post(reverse("household_add"), filled()).status_code in {302, 403}
        assert not Household.objects.exists()


class TestFind:
    def test_works_as_a_page_and_as_a_part(self, specialist):
        household = HouseholdFactory(name="Rivera")
        whole = specialist.get(reverse("household_find"), {"q": "riv"})
        part = specialist.get(reverse("household_find"), {"q": "riv"}, headers={"HX-Request": "true"})
        for answer in (whole, part):
            assert reverse("household", args=[household.pk]) in answer.text
        assert "<html" in whole.text
        assert "<html" not in part.text


class TestChangeHousehold:
    CHANGED = {key: FAMILY[key] for key in ("street", "unit", "city", "state", "postal_code", "language")} | {"notes": ""}

    def test_saves_and_goes_back(self, specialist):
        household = HouseholdFactory()
        answer = specialist.post(
            reverse("household_change", args=[household.pk]), {**self.CHANGED, "name": "Newname", "version": "1"}
        )
        household.refresh_from_db()
        assert answer.url == reverse("household", args=[household.pk])
        assert (household.name, household.version) == ("Newname", 2)

    def test_shows_what_somebody_else_changed_and_keeps_what_was_typed(self, specialist):
        household = HouseholdFactory(street="1 Old Street")
        household.street, household.version = "2 Their Street", 2
        household.save()
        address = reverse("household_change", args=[household.pk])
        mine = {**self.CHANGED, "name": "Mine", "street": "3 My Street"}
        answer = specialist.post(address, {**mine, "version": "1"})
        assert answer.status_code == 409
        for words in ("1 Old Street", "2 Their Street", 'value="3 My Street"', 'name="version" value="2"'):
            assert words in answer.text
        assert specialist.post(address, {**mine, "version": "2"}).status_code == 302


class TestGuardiansAndStudents:
    def test_a_second_child_needs_no_address(self, specialist):
        household, programme = HouseholdFactory(name="Rivera"), ProgrammeFactory()
        address = reverse("student_add", args=[household.pk])
        page = specialist.get(address)
        assert 'value="Rivera"' in page.text
        assert "street" not in page.context["form"].fields
        sent = {"given_name": "Zoë", "family_name": "Rivera", "grade": "5", "programme": programme.pk, "version": "1"}
        assert specialist.post(address, sent).url == reverse("household", args=[household.pk])
        student = Student.objects.get()
        assert (student.grade, student.programme) == (5, programme)
        sent["grade"] = "6"
        specialist.post(reverse("student_change", args=[student.pk]), sent)
        student.refresh_from_db()
        assert student.grade == 6

    def test_adds_a_second_guardian_and_changes_the_first(self, specialist):
        first = GuardianFactory()
        sent = {"given_name": "Luis", "family_name": "Rivera", "phone": "312 555 0143", "email": "", "version": "1"}
        specialist.post(reverse("guardian_add", args=[first.household_id]), sent)
        assert Guardian.objects.count() == 2
        address = reverse("guardian_change", args=[first.pk])
        answer = specialist.post(address, {**sent, "phone": "", "email": ""})
        assert answer.status_code == 422
        stale = specialist.post(address, {**sent, "version": "7"})
        assert stale.status_code == 409

    def test_form_asks_for_nothing_about_a_minor_beyond_the_job(self):
        assert "birth" not in " ".join(GuardianForm().fields)

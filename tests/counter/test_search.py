"""The search of the header: what each role finds, and what it must never see."""

import io

import pypdf
import pytest
from django.urls import reverse

from rentals.counter import find
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db
CANARY = "Canarybird"


@pytest.fixture
def agreement():
    household = HouseholdFactory(name=CANARY, guardian__phone="+13125550177", city="Canarytown")
    student = StudentFactory(household=household, given_name="Zelda", family_name=CANARY, programme=ProgrammeFactory())
    return AgreementFactory(household=household, student=student, unit=True)


@pytest.fixture
def tag(agreement):
    return agreement.units.get().instrument.asset_tag


class TestFindAll:
    def test_finds_each_sort(self, agreement, tag):
        user = UserFactory(role="specialist")
        assert [hit.name for hit in find.find_all("canaryb", user=user).households] == [CANARY]
        assert [hit.tag for hit in find.find_all(tag, user=user).instruments] == [tag]
        assert [hit.tag for hit in find.find_all(tag[-4:], user=user).instruments] == [tag]
        assert [hit.number for hit in find.find_all(agreement.number, user=user).agreements] == [agreement.number]

    def test_says_where_an_instrument_is(self, agreement, tag):
        shelf = InstrumentFactory(asset_tag="VN-0312", serial_number="")
        user = UserFactory(role="technician")
        assert [hit.where for hit in find.find_all("VN-0312", user=user).instruments] == ["on the shelf, Main Street shop"]
        assert [hit.where for hit in find.find_all(tag, user=user).instruments] == ["with a family"]
        assert shelf.custodies.count() == 1

    def test_a_school_comes_with_what_it_has_out_now(self, agreement):
        school = agreement.student.programme.school
        InstrumentFactory(place="school", place__school=school)
        (hit,) = find.find_all(school.name[1:6], user=UserFactory(role="specialist")).schools
        assert (hit.id, hit.out_now) == (school.pk, 2)
        assert find.find_all(school.name, user=UserFactory(role="technician")).schools == []

    def test_the_page_stays_within_twelve_queries(self, client_as, agreement, tag, django_assert_max_num_queries):
        client = client_as("manager")
        client.get(reverse("search"), {"q": tag})
        for words in (tag, agreement.student.programme.school.name, agreement.number):
            with django_assert_max_num_queries(12):
                client.get(reverse("search"), {"q": words})

    def test_asks_little(self, agreement, tag, django_assert_max_num_queries):
        user = UserFactory(role="specialist")
        with django_assert_max_num_queries(8):
            find.find_all(tag, user=user)

    def test_a_technician_reads_initials_and_no_more(self, agreement, tag):
        (hit,) = find.find_all(tag, user=UserFactory(role="technician")).instruments
        assert hit.keeper == "ZC"


class TestSearchPage:
    @pytest.mark.parametrize("live", [True, False])
    @pytest.mark.parametrize("asked", ["canaryb", "0177", "tag", "number", "zelda"])
    def test_a_technician_never_sees_a_family(self, client_as, agreement, tag, asked, live):
        words = {"tag": tag, "number": agreement.number}.get(asked, asked)
        headers = {"HX-Request": "true"} if live else {}
        answer = client_as("technician").get(reverse("search"), {"q": words}, headers=headers)
        assert answer.status_code == 200
        for secret in (CANARY, "Zelda", "555-0177", "Canarytown", agreement.household.number):
            assert secret not in answer.text
        assert (tag in answer.text) == (asked == "tag")

    def test_a_bookkeeper_finds_families_and_no_instruments(self, agreement, tag):
        found = find.find_all(tag, user=UserFactory(role="bookkeeper"))
        assert found.instruments == []
        assert find.find_all("canaryb", user=UserFactory(role="bookkeeper")).households

    def test_an_administrator_does_not_search(self, client_as):
        answer = client_as("administrator").get(reverse("search"), {"q": "abc"})
        assert answer.status_code in {302, 403}

    def test_says_that_nothing_was_found(self, client_as):
        client = client_as("specialist")
        assert "No records match this." in client.get(reverse("search"), {"q": "zzzzzzz"}).text
        assert "Nothing found." in client.get(reverse("search"), {"q": "zzzzzzz"}, headers={"HX-Request": "true"}).text
        assert "three letters" in client.get(reverse("search"), {"q": "a"}).text


class TestRoster:
    def test_tells_a_director_who_has_what_and_nothing_about_the_family(self, client_as, agreement, tag):
        programme = ProgrammeFactory()
        agreement.student.programme = programme
        agreement.student.save()
        answer = client_as("specialist").get(reverse("school_roster", args=[programme.school_id]))
        assert f"{CANARY}, Zelda" in answer.text
        assert tag in answer.text
        for secret in ("555-0177", "Canarytown", agreement.household.number, "$"):
            assert secret not in answer.text

    def test_on_paper_says_the_same(self, client_as, agreement, tag):
        programme = ProgrammeFactory()
        agreement.student.programme = programme
        agreement.student.save()
        answer = client_as("specialist").get(reverse("school_roster_pdf", args=[programme.school_id]))
        shown = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(answer.content)).pages)
        assert f"{CANARY}, Zelda" in shown
        assert tag in shown
        for secret in ("555-0177", "Canarytown", agreement.household.number, "$"):
            assert secret not in shown

import pytest
from django.db import connection

from rentals.families import queries
from rentals.families.models import SearchWord
from rentals.families.rules import plain_ascii
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def rivera():
    household = HouseholdFactory(
        name="García Rivera",
        number="H-00042",
        street="12 Oak Street",
        guardian__given_name="Ana María",
        guardian__family_name="García Rivera",
        guardian__phone="+13125550142",
        guardian__email="ana@example.com",
    )
    StudentFactory(household=household, given_name="Zoë", family_name="O'Neal")
    # Numbers and telephones of their own: the factories' running ones would some day hold the digits searched for.
    for place, name in enumerate(("Abbott", "Quill", "Rivers")):
        HouseholdFactory(name=name, number=f"H-0900{place}", guardian__given_name="Pat", guardian__phone=f"+1217555017{place}")
    return household


class TestSearchHouseholds:
    @pytest.mark.parametrize(
        "text",
        (  # noqa: SIM905 - one line a kind of search
            "gar|Garc|garcía|GARCIA R|rivera|riv an|ana gar|ana rivera|Rivera, Ana|maria|zoe|oneal|O'Ne|o’neal zoë|neal|iver"
            "|garica|riveera|ana rivrea|maria gracia|zoe oneall|zeo oneal"
            "|0142|142|5550142|(312) 555-01|312-555|+1 312 555 0142|1 (312) 555 0142"
            "|ANA@example.com|ana@|H-00042|h42|H 42"
        ).split("|"),
    )
    def test_finds_the_family(self, rivera, text):
        assert [hit.number for hit in queries.search_households(text, 10)][:1] == ["H-00042"]

    @pytest.mark.parametrize(
        "text", ["", " ", "x", "12", "%%", "__", "zzzzzz", "9999", "h99999", "who@nowhere.test", "' --", "\x00"]
    )
    def test_finds_nothing_where_nothing_is(self, rivera, text):
        assert queries.search_households(text, 10) == []

    def test_shows_what_tells_families_apart(self, rivera):
        GuardianFactory(household=rivera, given_name="Luis", family_name="Rivera", phone="", is_primary=False)
        (hit,) = queries.search_households("0142")
        assert (hit.name, hit.phone, hit.city, hit.rank) == ("García Rivera", "(312) 555-0142", "Springdale", 1)
        assert (hit.guardians, hit.students) == ("Ana María García Rivera, Luis Rivera", "Zoë O'Neal")

    def test_follows_every_change(self, rivera, django_assert_num_queries):
        guardian = rivera.guardians.get()
        type(guardian).objects.filter(pk=guardian.pk).update(family_name="Montrose", phone="+13125550199")
        assert queries.search_households("montr")[0].household_id == rivera.pk
        assert queries.search_households("0142") == []
        rivera.students.all().delete()
        assert queries.search_households("oneal") == []

    def test_a_name_that_is_gone_leaves_no_word_behind(self, rivera):
        rivera.students.all().delete()
        words = set(SearchWord.objects.values_list("word", flat=True))
        assert "oneal" not in words
        assert "rivera" in words

    def test_a_beginning_costs_one_statement_and_a_hit_three_more(self, rivera, django_assert_num_queries):
        with django_assert_num_queries(4):
            assert queries.search_households("riv")

    def test_a_misspelt_name_costs_two_statements(self, rivera, django_assert_num_queries):
        with django_assert_num_queries(2):
            assert queries.find_household_ids("zeo oneal") == [rivera.pk]

    def test_beginnings_of_any_letters_are_a_range(self, rivera):
        odd = HouseholdFactory(
            name="Ærø Zz\U0001f3bb", guardian__given_name="Åse", guardian__family_name="Łódź", number="H-09010"
        )
        for text in ("ærø zz", "zz\U0001f3bb", "åse ł", "lodz"):
            assert odd.pk in queries.find_household_ids(text), text

    def test_plain_letters_are_spelt_in_python_as_in_the_database(self, rivera):
        letters = "".join(chr(place) for place in range(1, 128))
        texts = [letters, *(f"a{letter}B" for letter in letters), *(f"{letter}a {letter}" for letter in letters)]
        with connection.cursor() as cursor:
            cursor.execute("SELECT text, search_words(text) FROM unnest(%s::text[]) AS text", [texts])
            for text, spelt in cursor.fetchall():
                assert " ".join(plain_ascii(text)) == spelt, text


class TestListLikelyDuplicates:
    def likely(self, **known):
        return [(each.hit.number, each.reasons) for each in queries.list_likely_duplicates(**known)]

    def test_same_telephone(self, rivera):
        assert self.likely(family_name="Other", phone="+13125550142") == [("H-00042", "same telephone")]

    def test_same_address_of_the_mail(self, rivera):
        assert self.likely(family_name="Other", email="ANA@example.com") == [("H-00042", "same e-mail")]

    @pytest.mark.parametrize("street", ["12 Oak Street", "12 oak st.", "12 OAK STREET, Apt 3"])
    @pytest.mark.parametrize("family_name", ["Rivera", "Garcia", "Riviera"])
    def test_same_street_and_a_like_name(self, rivera, family_name, street):
        assert self.likely(family_name=family_name, street=street, postal_code="62704-1234") == [
            ("H-00042", "same street, like name")
        ]

    def test_like_name_in_the_same_zip_code(self, rivera):
        found = self.likely(family_name="Rivera", given_name="Anna Maria Garcia", postal_code="62704")
        assert found == [("H-00042", "like name in the same ZIP code")]

    def test_a_neighbour_and_a_namesake_elsewhere_are_other_families(self, rivera):
        assert self.likely(family_name="Quimby", street="12 Oak Street", postal_code="62704") == []
        assert self.likely(family_name="Rivera", street="12 Oak Street", postal_code="90210") == []
        assert self.likely(family_name="", phone="", email="") == []

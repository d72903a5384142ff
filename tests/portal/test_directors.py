"""A director's own door: the own programmes and nothing else, as long as the school's consent stands.

What a school may pass on about students is held by FERPA (34 CFR 99.3, 99.37); which fields a director sees is asked of this
office by its own rule: names, school years, instruments, no money, no addresses, no telephones, no guardians.
"""

import datetime
import io

import pypdf
import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from rentals.agreements.models import AgreementUnit
from rentals.portal.directors import operations, roster
from rentals.staff.models import Role, User
from rentals.staff.policy import CAPABILITIES
from schools import directors as consents
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.families.factories import GuardianFactory, HouseholdFactory, StudentFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import DirectorFactory, ErrandFactory, ProgrammeFactory, RosterConsentFactory, SchoolDayFactory

NOW = datetime.datetime(2026, 11, 28, 18, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 11, 28)
CANARIES = ["Goldfinch", "+13125550177", "(312) 555-0177", "77 Canary Row", "canary@example.com", "62799", "Notecanary", "77.77"]


@pytest.fixture(autouse=True)
def counted_anew():
    cache.clear()


@pytest.fixture
def programme(db):
    return ProgrammeFactory()


@pytest.fixture
def director(programme):
    """A director with consent who has chosen a password."""
    person = DirectorFactory(programmes=[programme], email="baton@school.example")
    RosterConsentFactory(director=person)
    user, _ = operations.invite_director(director=person, acting_user=UserFactory(), now=NOW)
    person.refresh_from_db()
    assert person.user == user
    return person


def rented(programme, given_name="Wren", family_name="Plover", place="family"):
    """A student with an instrument at home, of a family whose every other fact is a canary."""
    household = HouseholdFactory(name="Goldfinch", street="77 Canary Row", postal_code="62799", notes="Notecanary")
    GuardianFactory(
        household=household, is_primary=False, family_name="Goldfinch", phone="+13125550177", email="canary@example.com"
    )
    student = StudentFactory(household=household, given_name=given_name, family_name=family_name, programme=programme, grade=6)
    agreement = AgreementFactory(household=household, student=student, monthly_rent="77.77")
    at = {"place__household": household} if place == "family" else {}
    instrument = InstrumentFactory(item=agreement.item, place=place, **at)
    AgreementUnit.objects.create(agreement=agreement, instrument=instrument, began_at=agreement.signed_at)
    return student, instrument


class TestInviteDirector:
    def test_gives_a_sign_in_with_a_link_to_choose_a_password(self, director):
        user = director.user
        assert (user.role, user.email, user.has_usable_password()) == (Role.DIRECTOR, "baton@school.example", False)

    def test_needs_the_schools_consent(self, programme):
        person = DirectorFactory(programmes=[programme])
        with pytest.raises(operations.NotInvitedError, match="consent"):
            operations.invite_director(director=person, acting_user=UserFactory(), now=NOW)
        assert not User.objects.filter(role=Role.DIRECTOR).exists()

    def test_who_leaves_today_is_invited_all_evening_and_not_tomorrow(self, programme):
        """23:30 in Chicago is the next day in Greenwich; half past midnight is the next day here too."""
        person = DirectorFactory(programmes=[programme], email="baton@school.example", until_on=TODAY)
        RosterConsentFactory(director=person)
        late = datetime.datetime(2026, 11, 29, 5, 30, tzinfo=datetime.UTC)
        with pytest.raises(operations.NotInvitedError, match="has left"):
            operations.invite_director(director=person, acting_user=UserFactory(), now=late + datetime.timedelta(hours=1))
        assert operations.invite_director(director=person, acting_user=UserFactory(), now=late)

    def test_never_takes_over_somebody_who_works_here(self, programme):
        colleague = UserFactory()
        person = DirectorFactory(programmes=[programme], email=colleague.email)
        RosterConsentFactory(director=person)
        with pytest.raises(operations.NotInvitedError, match="already"):
            operations.invite_director(director=person, acting_user=UserFactory(), now=NOW)
        colleague.refresh_from_db()
        assert colleague.role == Role.SPECIALIST

    def test_from_the_page_shows_the_link_once(self, programme, client_as, client):
        person = DirectorFactory(programmes=[programme], email="new@school.example")
        RosterConsentFactory(director=person)
        office = client_as("specialist")
        assert "Invite: make a link" in office.get(reverse("director_sign_in", args=[person.pk])).content.decode()
        shown = office.post(reverse("director_invite", args=[person.pk])).content.decode()
        link = shown.split("choose-password/")[1].split("<")[0].replace("&amp;", "&")
        short = client.post(f"/choose-password/{link}", {"password1": "short one", "password2": "short one"})
        assert "Use at least 15 characters" in short.content.decode()
        words = "seven quiet otters row home"
        client.post(f"/choose-password/{link}", {"password1": words, "password2": words})
        client.post(reverse("account_login"), {"login": "new@school.example", "password": words})
        assert client.get("/")["Location"] == reverse("director_roster")
        assert str(programme) in client.get(reverse("director_roster")).content.decode()


class TestTheSignInEnds:
    def test_with_the_consent_at_once(self, director, client_as):
        client = client_as(director.user)
        client.get(reverse("director_roster"))
        consents.withdraw_consent(director_id=director.pk, why="The school asked", acting_user=UserFactory(), now=NOW)
        assert client.get(reverse("director_roster")).status_code == 302
        director.user.refresh_from_db()
        assert not director.user.is_active

    def test_with_the_last_day_even_before_anybody_writes_it_up(self, director, programme, client_as):
        rented(programme)
        type(director).objects.filter(pk=director.pk).update(until_on=datetime.date(2020, 1, 1))
        shown = client_as(director.user).get(reverse("director_roster")).content.decode()
        assert "Nothing is shared with you now" in shown
        assert "Plover" not in shown

    def test_when_the_office_ends_it_and_begins_again_by_a_new_link(self, director, client_as):
        client, office = client_as(director.user), client_as("manager")
        client.get(reverse("director_roster"))
        office.post(reverse("director_end", args=[director.pk]))
        assert client.get(reverse("director_roster")).status_code == 302
        office.post(reverse("director_invite", args=[director.pk]))
        director.user.refresh_from_db()
        assert director.user.is_active


class TestRoster:
    def test_says_who_has_what_and_where(self, director, programme, client_as):
        student, instrument = rented(programme)
        StudentFactory(programme=programme, given_name="Ida", family_name="Avocet")
        shown = client_as(director.user).get(reverse("director_roster")).content.decode()
        for text in ("Plover, Wren", instrument.asset_tag, str(instrument.item.kind), "Avocet, Ida", "None from us"):
            assert text in shown
        assert student.grade == 6
        assert "FERPA" in shown

    def test_says_what_waits_for_the_van_and_when_it_comes(self, director, programme):
        _, instrument = rented(programme)
        ErrandFactory(instrument=instrument, school=programme.school, kind="pick_up")
        part = roster.list_parts([programme], today=TODAY)[0]
        assert [line.waits for line in part.waiting] == ["Waits for pick-up"]
        assert part.van_on == datetime.date(2026, 12, 1)  # the Tuesday after Saturday, Nov 28, 2026

    def test_the_van_goes_by_a_day_without_school(self, programme):
        SchoolDayFactory(school=programme.school, first_on=datetime.date(2026, 12, 1), last_on=datetime.date(2026, 12, 1))
        assert roster.list_parts([programme], today=TODAY)[0].van_on == datetime.date(2026, 12, 8)  # the Tuesday after

    def test_reads_few_queries_and_no_private_column(self, director, programme):
        for number in range(12):
            rented(programme, family_name=f"Plover{number}")
        with CaptureQueriesContext(connection) as captured:
            roster.list_parts([programme], today=TODAY)
        assert len(captured) <= 5
        for private in ("street", "phone", "email", "families_guardian", "families_household", "monthly", "rent"):
            assert not any(f'"{private}"' in query["sql"] for query in captured), private

    @pytest.mark.parametrize("name", ["director_roster", "director_roster_csv"])
    def test_shows_no_money_address_telephone_or_guardian(self, director, programme, client_as, name):
        rented(programme)
        response = client_as(director.user).get(reverse(name))
        shown = b"".join(response).decode() if response.streaming else response.content.decode()
        assert "Plover, Wren" in shown
        assert [canary for canary in CANARIES if canary in shown] == []
        assert "$" not in shown

    def test_on_paper_says_the_same_and_nothing_private(self, director, programme, client_as):
        rented(programme)
        rented(ProgrammeFactory(), family_name="Bittern")
        answer = client_as(director.user).get(reverse("director_roster_pdf"))
        assert answer["Content-Type"] == "application/pdf"
        shown = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(answer.content)).pages)
        assert "Plover, Wren" in shown
        assert [canary for canary in (*CANARIES, "Bittern", "$") if canary in shown] == []

    def test_on_paper_is_not_there_without_a_consent(self, programme, client_as):
        assert client_as("director").get(reverse("director_roster_pdf")).status_code == 404

    def test_of_another_school_is_not_there(self, director, programme, client_as):
        other = ProgrammeFactory()
        rented(other, family_name="Bittern")
        client = client_as(director.user)
        assert client.get(reverse("director_programme", args=[programme.pk])).status_code == 200
        assert client.get(reverse("director_programme", args=[other.pk])).status_code == 404
        for name in ("director_roster", "director_roster_csv"):
            response = client.get(reverse(name), {"programme": other.pk, "school": other.school_id})
            shown = b"".join(response).decode() if response.streaming else response.content.decode()
            assert "Bittern" not in shown

    def test_of_the_other_programme_of_the_school_is_not_there(self, director, programme, client_as):
        orchestra = ProgrammeFactory(school=programme.school, kind="orchestra")
        rented(orchestra, family_name="Bittern")
        client = client_as(director.user)
        assert client.get(reverse("director_programme", args=[orchestra.pk])).status_code == 404
        assert "Bittern" not in client.get(reverse("director_roster")).content.decode()

    def test_an_instrument_in_the_shop_is_said_to_be_there(self, director, programme):
        rented(programme, place="bench")
        assert [line.where for line in roster.list_parts([programme], today=TODAY)[0].lines] == ["In the shop"]


class TestEveryOtherAddress:
    def test_is_refused_to_a_director(self, director, client_as):
        """The table gives a director the own roster and the own account; every other page answers 403."""
        own = {name for name, roles in CAPABILITIES.items() if Role.DIRECTOR in roles}
        assert own == {"home.view", "own_account.use", "roster.view_own"}
        client = client_as(director.user)
        for name in ("households", "schools", "instruments", "nights", "people", "books", "search", "signup", "bench"):
            assert client.get(reverse(name)).status_code == 403, name

    def test_finds_nobody_among_the_people_who_work_here(self, director, client_as):
        shown = client_as("administrator").get(reverse("people")).content.decode()
        assert director.user.email not in shown
        assert 'value="director"' not in client_as("administrator").get(reverse("add_person")).content.decode()

"""The form from home on the web: page after page, twice, late, wrong, and by somebody else."""

import datetime
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.core.cache import cache
from django.db import connections
from django.test import Client
from django.urls import reverse

from rentals.families.forms import AddHouseholdForm, StudentForm
from rentals.portal import operations, queries, rules
from rentals.portal.home import forms, tickets, views
from rentals.portal.models import HomeFamily, HomeForm
from tests.inventory.factories import CatalogueItemFactory, kind
from tests.portal.factories import AT, DoorFactory, HomeFormFactory
from tests.portal.family import ANSWERS, begin, fill, ticket_of
from tests.schools.factories import NightFactory, ProgrammeFactory, SchoolFactory

TOKENS = {
    "given_name": "given-name", "family_name": "family-name", "phone": "tel", "email": "email", "street": "address-line1",
    "city": "address-level2", "state": "address-level1", "postal_code": "postal-code",
}  # fmt: skip
"""HTML Living Standard, autofill field names (WCAG 2.2, 1.3.5), for each field about the person who fills in."""


@pytest.fixture(autouse=True)
def counted_anew():
    cache.clear()


@pytest.fixture
def door(db):
    return DoorFactory(night=NightFactory(on=datetime.date(2030, 11, 30)))


@pytest.fixture
def two(db):
    """A door for a band and an orchestra, with something to rent for both."""
    school = SchoolFactory()
    both = [ProgrammeFactory(school=school), ProgrammeFactory(school=school, kind="orchestra")]
    for code in ("flute", "violin"):
        CatalogueItemFactory(kind=kind(code))
    return DoorFactory(night=NightFactory(on=datetime.date(2030, 11, 30), school=school, programmes=both))


class TestAFamilyAtHome:
    def test_fills_the_form_in_and_gets_a_code(self, door, client):
        overview = fill(client, begin(client, door, "es"))
        assert not HomeForm.objects.exclude(finished_at=None).exists()
        sent = client.post(overview, follow=True)
        form = HomeForm.objects.select_related("family").get()
        assert (form.given_name, form.grade, form.kind, form.protection) == ("Wren", 5, None, "ask")
        assert (form.family.phone, form.family.state, form.family.language) == ("+13125550142", "IL", "es")
        assert form.programme == door.night.programmes.get()
        assert form.family.code in sent.content.decode()
        assert '<html lang="es">' in sent.content.decode()

    def test_chooses_program_instrument_and_size(self, two, client):
        programme = two.night.programmes.get(kind="orchestra")
        answers = {"programme": str(programme.pk), "kind": "violin", "size": "1/2"}
        client.post(fill(client, begin(client, two), **answers))
        form = HomeForm.objects.get()
        assert (form.programme, form.kind_id, form.size) == (programme, "violin", "1/2")

    def test_an_orchestra_is_offered_strings(self, two, client):
        response = begin(client, two)
        for page in ("who", "reach", "street", "town", "student", "program"):
            programme = str(two.night.programmes.get(kind="orchestra").pk)
            answers = {"programme": programme} if page == "program" else ANSWERS[page]
            response = client.post(response["Location"], answers)
        shown = client.get(response["Location"]).content.decode()
        assert 'value="violin"' in shown
        assert 'value="flute"' not in shown

    def test_another_kind_asks_for_its_size_anew(self, two, client):
        programme = str(two.night.programmes.get(kind="orchestra").pk)
        fill(client, begin(client, two), programme=programme, kind="violin", size="1/2")
        CatalogueItemFactory(kind=kind("cello"))
        response = client.post(reverse("home_page", args=[two.code, 1, "instrument"]), {"kind": "cello"})
        assert response["Location"] == reverse("home_page", args=[two.code, 1, "size"])
        assert HomeForm.objects.get().size == ""

    def test_a_change_leads_back_to_the_overview(self, door, client):
        overview = fill(client, begin(client, door))
        response = client.post(reverse("home_page", args=[door.code, 1, "town"]), ANSWERS["town"] | {"city": "Ostrander"})
        assert response["Location"] == overview
        assert "Ostrander, IL 62704" in client.get(overview).content.decode()

    def test_a_brother_or_sister_is_three_answers(self, door, client):
        client.post(fill(client, begin(client, door)))
        response = client.post(reverse("home_another", args=[door.code, 1]))
        typed = 0
        while not response["Location"].endswith("/review/"):
            page = response["Location"].rstrip("/").rsplit("/", 1)[-1]
            shown = client.get(response["Location"]).context["form"]
            new = {"given_name": "Juno", "grade": "7"}
            answers = {name: new.get(name) or shown[name].value() or value for name, value in ANSWERS[page].items()}
            typed += sum(len(value) for name, value in answers.items() if name in {"given_name"} and page == "student")
            response = client.post(response["Location"], answers)
            assert page in rules.CHILD_PAGES
        client.post(response["Location"])
        assert typed < 40
        first, second = HomeForm.objects.order_by("place")
        assert (second.code, second.family) == (f"{first.code}-2", first.family)
        assert [each["student"]["given_name"] for each in queries.list_home_forms(door.night)] == ["Wren", "Juno"]

    def test_a_used_form_is_shown_and_not_changed(self, door, client):
        client.post(fill(client, begin(client, door)))
        operations.mark_used(code=HomeForm.objects.get().code, now=datetime.datetime(2031, 1, 1, tzinfo=datetime.UTC))
        assert client.post(reverse("home_page", args=[door.code, 1, "who"]), ANSWERS["who"]).status_code == 302
        assert client.get(reverse("home_review", args=[door.code, 1]))["Location"].endswith("/done/")
        assert "You are signed up." in client.get(reverse("home_form", args=[door.code])).content.decode()


class TestSentAgain:
    def test_the_first_page_sent_twice_begins_once(self, door, client):
        url = reverse("home_form", args=[door.code])
        sent = {"language": "en", "ticket": ticket_of(client.get(url))}
        assert {Client().post(url, sent)["Location"], Client().post(url, sent)["Location"]} == {
            reverse("home_page", args=[door.code, 1, "who"])
        }
        assert HomeForm.objects.count() == 1

    def test_twenty_sends_of_the_overview_make_one_form(self, transactional_db, client):
        door = DoorFactory(night=NightFactory(on=datetime.date(2030, 11, 30)))
        overview = fill(client, begin(client, door))
        cookie = client.cookies[tickets.COOKIE].value

        def send(_):
            try:
                again = Client()
                again.cookies[tickets.COOKIE] = cookie
                return again.post(overview)["Location"]
            finally:
                connections.close_all()

        with ThreadPoolExecutor(8) as pool:
            answers = set(pool.map(send, range(20)))
        assert answers == {reverse("home_done", args=[door.code, 1])}
        assert HomeForm.objects.exclude(finished_at=None).count() == HomeFamily.objects.exclude(code=None).count() == 1

    def test_back_and_send_again_is_the_same_form(self, door, client):
        overview = fill(client, begin(client, door))
        first = client.post(overview, follow=True).content.decode()
        code = HomeForm.objects.get().code
        assert code in first
        assert code in client.post(overview, follow=True).content.decode()
        client.post(reverse("home_another", args=[door.code, 1]))
        client.post(reverse("home_another", args=[door.code, 1]))
        assert HomeForm.objects.count() == 2


class TestNothingTypedIsLost:
    def test_a_lost_cookie_is_found_in_the_page(self, door, client):
        url = begin(client, door)["Location"]
        ticket = ticket_of(client.get(url))
        client.cookies.clear()
        response = client.post(url, ANSWERS["who"] | {"ticket": ticket})
        assert response["Location"] == reverse("home_page", args=[door.code, 1, "reach"])
        assert HomeFamily.objects.get().given_name == "Marisol"
        assert client.get(response["Location"]).status_code == 200

    def test_another_language_keeps_what_was_typed(self, door, client):
        url = begin(client, door, "en")["Location"]
        shown = client.post(url, {"given_name": "Marisól", "family_name": "", "switch": "es"})
        assert '<html lang="es">' in shown.content.decode()
        assert 'value="Marisól"' in shown.content.decode()
        assert "error-summary" not in shown.content.decode()
        assert HomeFamily.objects.get().language == "es"

    def test_the_overview_changes_its_language_without_sending(self, door, client):
        overview = fill(client, begin(client, door, "en"))
        assert '<html lang="es">' in client.post(overview, {"switch": "es"}, follow=True).content.decode()
        assert HomeForm.objects.get().finished_at is None

    def test_bad_answers_are_said_and_kept(self, door, client):
        begin(client, door, "es")
        url = reverse("home_page", args=[door.code, 1, "town"])
        response = client.post(url, {"city": "Springdale", "state": "Illinois", "postal_code": "627"})
        shown = response.content.decode()
        assert response.status_code == 422
        assert 'value="627"' in shown
        assert "Escriba el código postal con cinco cifras, como 62704, o nueve." in shown
        assert "Escriba el estado con sus dos letras, como IL." in shown

    def test_one_way_to_reach_them_is_asked_for(self, door, client):
        begin(client, door)
        response = client.post(reverse("home_page", args=[door.code, 1, "reach"]), {"phone": "", "email": ""})
        assert response.status_code == 422
        assert "Give a telephone number or an e-mail address" in response.content.decode()


class TestWhoSeesAForm:
    def test_only_the_browser_that_filled_it_in(self, door, client):
        form = HomeFormFactory(family__door=door)
        for name in ("home_review", "home_done"):
            assert Client().get(reverse(name, args=[door.code, 1]))["Location"] == reverse("home_form", args=[door.code])
        forged = Client()
        forged.cookies[tickets.COOKIE] = f"{form.family.browser.hex}:{'a' * 43}"
        assert forged.get(reverse("home_done", args=[door.code, 1])).status_code == 302
        own = Client()
        own.cookies[tickets.COOKIE] = tickets.make(form.family.browser, door)
        assert form.family.code in own.get(reverse("home_done", args=[door.code, 1])).content.decode()

    def test_a_ticket_of_one_door_opens_no_other(self, door):
        form, other = HomeFormFactory(family__door=door), DoorFactory()
        assert tickets.read(tickets.make(form.family.browser, door), other) is None

    def test_the_family_code_opens_nothing(self, door, client):
        form = HomeFormFactory(family__door=door)
        assert client.get(f"/start/{form.family.code}/").status_code == 404

    def test_fields_that_are_not_asked_change_nothing(self, door, client):
        url = begin(client, door)["Location"]
        client.post(url, ANSWERS["who"] | {"code": "BBBB", "used_at": "2026-01-01", "street": "Elsewhere", "door": "1"})
        family = HomeFamily.objects.get()
        assert (family.code, family.street, family.door) == (None, "", door)

    def test_nothing_is_kept_by_browsers_on_the_way(self, door, client):
        begin(client, door)
        response = client.get(reverse("home_page", args=[door.code, 1, "who"]))
        assert response["Cache-Control"] == "no-store, private"
        cookie = client.cookies[tickets.COOKIE]
        assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Lax", f"/start/{door.code}/")


class TestDoorsThatDoNotOpen:
    def test_unknown_closed_and_past(self, db, client):
        assert client.get("/start/nothing-of-this-kind/").status_code == 404
        past = DoorFactory(night=NightFactory(on=datetime.date(2020, 1, 7)))
        closed = DoorFactory(night=NightFactory(on=datetime.date(2030, 1, 7)), closed_at=AT)
        for door in (past, closed):
            response = client.get(reverse("home_form", args=[door.code]))
            assert response.status_code == 410
            assert "Este formulario está cerrado" in response.content.decode()
            assert client.post(reverse("home_form", args=[door.code]), {"language": "en"}).status_code == 410

    def test_who_asks_too_often_is_slowed_down(self, door, client):
        for _ in range(views.WRONG):
            assert client.get("/start/guess/").status_code == 404
        response = client.get("/start/guess/")
        assert (response.status_code, response["Retry-After"]) == (429, "60")
        assert client.get(reverse("home_form", args=[door.code])).status_code == 200

    def test_sends_are_counted_by_address(self, door, client):
        url = reverse("home_form", args=[door.code])
        answers = [client.post(url, {"language": "xx"}).status_code for _ in range(views.SENDS + 1)]
        assert answers == [422] * views.SENDS + [429]
        assert client.post(url, {"language": "en"}, REMOTE_ADDR="192.0.2.7").status_code == 302


class TestItsForms:
    def test_ask_what_the_office_asks(self):
        """At home and at the desk it is one form: the same fields, the same cleaning."""
        family = [forms.WhoPage, forms.ReachPage, forms.StreetPage, forms.TownPage]
        assert all(any(base in AddHouseholdForm.__mro__ for base in page.__bases__) for page in family)
        asked = {name for page in family for name in page.asks}
        assert asked | {"language", "name", "request_key"} == set(AddHouseholdForm.base_fields)
        child = {*forms.StudentPage.asks, *forms.ProgrammePage.asks}
        assert child | {"version"} == set(StudentForm.base_fields)

    def test_ask_three_things_a_page_at_most(self, two, client):
        pages = [forms.WhoPage, forms.ReachPage, forms.StreetPage, forms.TownPage, forms.StudentPage, forms.ProgrammePage]
        pages += [forms.InstrumentPage, forms.SizePage, forms.ProtectionPage]
        assert all(1 <= len(page.asks) <= 3 for page in pages)

    def test_tell_the_browser_what_each_is(self, door, client):
        begin(client, door)
        found = {}
        for page in rules.FAMILY_PAGES:
            form = client.get(reverse("home_page", args=[door.code, 1, page])).context["form"]
            found |= {name: field.widget.attrs.get("autocomplete") for name, field in form.fields.items()}
            assert not any("maxlength" in field.widget.attrs for name, field in form.fields.items() if name in TOKENS)
        assert {name: found[name] for name in TOKENS} == TOKENS

    def test_never_offer_the_adult_as_the_child(self, door, client):
        begin(client, door)
        form = client.get(reverse("home_page", args=[door.code, 1, "student"])).context["form"]
        assert form.fields["given_name"].widget.attrs["autocomplete"] == "off"

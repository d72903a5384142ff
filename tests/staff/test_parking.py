"""A form sent after the session's end: kept sealed, given back once, to the same person in the same browser, never sent on."""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from urllib.parse import urlencode
from uuid import uuid4

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from billing.models import Payment
from rentals.agreements.models import Agreement, SignUpDraft
from rentals.families.models import Household
from rentals.inventory.models import WorkOrder
from rentals.staff.models import Role
from schools.models import Programme, RequiredItem, School
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.factories import PASSWORD, UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory, ProductFactory, kind
from tests.schools.factories import ProgrammeFactory, SchoolFactory

pytestmark = pytest.mark.django_db
FORM = "application/x-www-form-urlencoded"
NOTICE = "You were signed out in between. Nothing was sent yet; look it over and send it."
FAMILY = {
    "given_name": "Wren",
    "family_name": "Quillfeather",
    "phone": "312-555-0142",
    "email": "wren.quillfeather@example.com",
    "street": "7 Heron Court",
    "unit": "",
    "city": "Springdale",
    "state": "IL",
    "postal_code": "62704",
    "language": "es",
    "name": "",
    "request_key": "5f0c9f6e-9f0e-4c68-9d7c-0a5a8d0f3b11",
}
PAYMENT = {"amount": "41.5", "method": "cheque", "cheque_number": "88123", "received_on": "3/10/2026"}


@dataclass(frozen=True)
class Sent:
    """A form as it is sent: to which address, from which page, and what the page must show again."""

    to: str
    fields: dict[str, str]
    shown: tuple[str, ...]
    page: str = ""


def take_payment(client) -> Sent:
    url = reverse("payment_take", args=[HouseholdFactory().pk])
    shown = (
        'value="41.5"',
        'value="88123"',
        'value="3/10/2026"',
        'value="cheque" id="id_method_1" checked',
        FAMILY["request_key"],
    )
    return Sent(url, {**PAYMENT, "request_key": FAMILY["request_key"]}, shown)


def new_family(client) -> Sent:
    shown = ('value="Quillfeather"', 'value="312-555-0142"', FAMILY["email"], FAMILY["request_key"], '"es" selected')
    return Sent(reverse("signup_new_family"), FAMILY, shown)


def add_household(client) -> Sent:
    return Sent(reverse("household_add") + "?q=Wren", FAMILY, new_family(client).shown)


def change_household(client) -> Sent:
    household = HouseholdFactory()
    fields = {**FAMILY, "name": "Quillfeather-Marsh", "notes": "Rings twice.", "version": "0"}
    shown = ('value="Quillfeather-Marsh"', "Rings twice.", 'name="version" value="0"')
    return Sent(reverse("household_change", args=[household.pk]), fields, shown)


def shop() -> None:
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    RateFactory(kind=kind("clarinet"))
    RateFactory(kind=kind("violin"))
    InstrumentFactory(asset_tag="CL-1001", item=CatalogueItemFactory(kind_code="clarinet"))


ANSWERS = {"student": "new", "given_name": "Skylark", "family_name": "Quillfeather", "grade": "5", "kind": "clarinet"}
ANSWERS |= {"tier": "beginner", "protection": "yes", "received_at": "counter", "tag": "CL-1001", "programme": "", "goods_for": ""}


def begun(client) -> SignUpDraft:
    shop()
    client.post(reverse("signup_begin"), {"household": HouseholdFactory().pk})
    return SignUpDraft.objects.get()


def sheet(client) -> Sent:
    url = reverse("signup_sheet", args=[begun(client).pk])
    # The size is asked for violins only: the sheet is built for what was picked, not for what was saved before.
    fields = {**ANSWERS, "kind": "violin", "size": "1/2", "arm": "19 3/4", "tag": "VN-77"}
    return Sent(
        url, fields, ('value="Skylark"', 'value="violin" selected', 'value="1/2" selected', 'value="19 3/4"', 'value="VN-77"')
    )


def review(client) -> Sent:
    draft = begun(client)
    client.post(reverse("signup_sheet", args=[draft.pk]), {**ANSWERS, "review": "yes"})
    fields = {
        "signer_name": "Wren Quillfeather",
        "consent": "on",
        "method": "cheque",
        "cheque_number": "88123",
        "amount": "99.12",
    }
    fields |= {"strokes": "", "shown": "text-that-was-shown"}
    shown = (
        'value="Wren Quillfeather"',
        'value="88123"',
        'value="99.12"',
        'name="consent" id="id_consent" checked',
        fields["shown"],
    )
    return Sent(reverse("signup_review", args=[draft.pk]), fields, shown)


def take_in(client) -> Sent:
    unit, location = InstrumentFactory(asset_tag="FL-1042"), LocationFactory()
    fields = {"problem": "Pad under G sharp leaks", "location": str(location.pk)}
    page = reverse("bench", query={"tag": unit.asset_tag})
    return Sent(reverse("bench_take_in", args=[unit.asset_tag]), fields, ("Pad under G sharp leaks",), page)


def take_in_refused_before(client) -> Sent:
    """The page stands at the address that takes the form, and that takes nothing else."""
    sent = take_in(client)
    return Sent(sent.to, sent.fields, sent.shown)


def school(client) -> Sent:
    fields = {"name": "Heronmere School", "district": "Quill", "street": "1 Reed Road", "city": "Springdale", "state": "IL"}
    return Sent(reverse("school_add"), {**fields, "postal_code": "62704"}, ('value="Heronmere School"', 'value="Quill"'))


def change_school(client) -> Sent:
    sent = school(client)
    return Sent(reverse("school_change", args=[SchoolFactory().pk]), sent.fields, sent.shown)


def programme(client) -> Sent:
    fields = {"kind": "orchestra", "expected_beginners": "37", "starting_grade": "4"}
    return Sent(reverse("programme_add", args=[SchoolFactory().pk]), fields, ('value="37"', '"orchestra" selected'))


def required_item(client) -> Sent:
    programme, product = ProgrammeFactory(), ProductFactory(name="Cork grease")
    fields = {"kind": "clarinet", "product": str(product.pk), "quantity": "7"}
    fields = {f"p{programme.pk}-{name}": value for name, value in fields.items()}
    shown = ('value="7"', '"clarinet" selected', f'"{product.pk}" selected')
    return Sent(reverse("required_item_add", args=[programme.pk]), fields, shown)


MANAGER_FORMS = [take_payment, new_family, add_household, change_household, sheet, review, take_in, take_in_refused_before]
MANAGER_FORMS += [school, change_school, programme, required_item]


def post(client, sent: Sent, **headers):
    referer = f"http://testserver{sent.page or sent.to}"
    return client.post(sent.to, urlencode(sent.fields), content_type=FORM, headers={"referer": referer, **headers})


def expire(client) -> None:
    """Let half a day pass for this session."""
    session = client.session
    session.update({"began": 0, "seen": 0})
    session.save()


def text_of(response) -> str:
    return response.content.decode()


def parked(client) -> dict[str, str]:
    return client.session.get("parked", {})


@pytest.fixture
def manager(client_as) -> Client:
    return client_as("manager")


@pytest.fixture
def left(manager) -> Callable[..., str]:
    """Send a form after the session ended; returns the address where the person goes on after signing in."""

    def leave(sent: Sent | None = None, **headers) -> str:
        sent = sent or new_family(manager)
        expire(manager)
        answer = post(manager, sent, **headers)
        assert answer.status_code == 302, text_of(answer)
        page = manager.get(answer["Location"])
        return page.context["redirect_field_value"]

    return leave


class TestComesBack:
    @pytest.mark.parametrize("form", MANAGER_FORMS)
    def test_with_everything_that_was_typed_and_once(self, manager, left, form):
        sent = form(manager)
        before = sum(model.objects.count() for model in MADE)
        page = left(sent)
        manager.force_login(manager.user)
        shown = manager.get(page)
        assert shown.status_code == 200
        html = re.sub(r"\s+", " ", text_of(shown))
        assert NOTICE in html
        assert [words for words in sent.shown if words not in html] == []
        again = re.sub(r"\s+", " ", text_of(manager.get(page)))
        assert NOTICE not in again
        assert sent.shown[0] not in again
        assert sum(model.objects.count() for model in MADE) == before, "nothing was sent on by itself"
        assert parked(manager) == {}

    def test_by_the_sign_in_page_which_says_so_and_goes_through_with_a_fresh_token(self):
        client = Client(enforce_csrf_checks=True)
        person = UserFactory(role=Role.SPECIALIST, password=True)
        sign_in(client, person, reverse("account_login"))
        url = reverse("payment_take", args=[HouseholdFactory().pk])
        first = token_on(client.get(url))
        expire(client)
        fields = {**PAYMENT, "request_key": str(uuid4()), "csrfmiddlewaretoken": first}
        answer = post(client, Sent(url, fields, ()))
        assert "What you typed is kept for an hour" in text_of(client.get(answer["Location"]))
        answer = sign_in(client, person, answer["Location"])
        assert answer["Location"] == url
        page = client.get(url)
        assert first not in text_of(page)
        assert not Payment.objects.exists()
        form = page.context["form"]
        typed = {name: form[name].value() for name in form.fields}
        client.post(url, {**typed, "csrfmiddlewaretoken": token_on(page)})
        payment = Payment.objects.get()
        assert (payment.amount, payment.cheque_number) == (Decimal("41.50"), "88123")

    def test_an_edit_carries_the_version_that_was_shown_so_that_a_change_in_between_is_noticed(self, manager, left):
        household = HouseholdFactory()
        url = reverse("household_change", args=[household.pk])
        form = manager.get(url).context["form"]
        typed = {name: form[name].value() for name in form.fields} | {"name": "Quillfeather"}
        page = left(Sent(url, typed, ()))
        Household.objects.filter(pk=household.pk).update(version=household.version + 1)
        manager.force_login(manager.user)
        form = manager.get(page).context["form"]
        assert manager.post(url, {name: form[name].value() for name in form.fields}).status_code == 409

    def test_fills_only_the_page_it_stood_on(self, manager, left):
        left(new_family(manager))
        manager.force_login(manager.user)
        other = text_of(manager.get(reverse("household_add")))
        assert NOTICE not in other
        assert "Quillfeather" not in other
        assert NOTICE in text_of(manager.get(reverse("signup_new_family")))

    def test_when_the_person_had_signed_out_in_another_tab(self, manager):
        manager.get("/")
        manager.post(reverse("account_logout"))
        post(manager, new_family(manager))
        manager.force_login(manager.user)
        assert "Quillfeather" in text_of(manager.get(reverse("signup_new_family")))

    def test_on_the_next_morning_when_nothing_is_left_of_the_session(self, manager):
        manager.get("/")
        manager.session.flush()
        post(manager, new_family(manager))
        manager.force_login(manager.user)
        assert "Quillfeather" in text_of(manager.get(reverse("signup_new_family")))

    def test_keeps_the_last_five(self, manager):
        urls = [reverse("payment_take", args=[HouseholdFactory().pk]) for _ in range(7)]
        expire(manager)
        for url in urls:
            post(manager, Sent(url, PAYMENT, ()))
        assert len(parked(manager)) == 5
        manager.force_login(manager.user)
        assert [NOTICE in text_of(manager.get(url)) for url in urls] == [False, False, True, True, True, True, True]


class TestStaysWithItsOwner:
    def test_somebody_else_in_the_same_browser_never_sees_it(self, manager, left):
        page = left()
        manager.force_login(UserFactory(role=Role.MANAGER))
        shown = text_of(manager.get(page))
        assert NOTICE not in shown
        assert "Quillfeather" not in shown
        manager.force_login(manager.user)
        assert "Quillfeather" not in text_of(manager.get(page)), "it was thrown away"

    def test_somebody_else_after_a_sign_out_in_another_tab_neither(self, manager):
        manager.get("/")
        manager.post(reverse("account_logout"))
        post(manager, new_family(manager))
        manager.force_login(UserFactory(role=Role.MANAGER))
        assert "Quillfeather" not in text_of(manager.get(reverse("signup_new_family")))

    def test_a_role_that_may_not_open_the_page_sees_nothing_of_it(self, manager):
        manager.get("/")
        manager.session.flush()
        post(manager, new_family(manager))
        manager.force_login(UserFactory(role=Role.TECHNICIAN))
        refused = manager.get(reverse("signup_new_family"))
        assert refused.status_code == 403
        assert "Quillfeather" not in text_of(refused)
        assert parked(manager) == {}

    def test_another_browser_sees_nothing(self, manager, left):
        page = left()
        other = Client()
        other.force_login(manager.user)
        assert "Quillfeather" not in text_of(other.get(page))

    def test_a_stranger_sees_nothing(self, manager, left):
        page = left()
        assert manager.get(page).status_code == 302
        assert "Quillfeather" not in text_of(manager.get(page, follow=True))

    def test_is_gone_after_an_hour(self, manager, left):
        page = left()
        assert 3590 <= cache._cache.get_client(None).ttl(cache.make_key(kept_at(manager))) <= 3600
        with time_machine.travel(time.time() + 3601):
            manager.force_login(manager.user)
            assert "Quillfeather" not in text_of(manager.get(page))

    def test_is_sealed_where_it_is_kept(self, manager, left):
        left()
        sealed = cache.get(kept_at(manager))
        assert sealed
        kept = sealed + str(dict(manager.session)).encode()
        for value in (b"Quillfeather", b"312-555-0142", b"wren.quillfeather"):
            assert value not in kept

    def test_survives_one_change_of_the_secret_key_and_not_a_second(self, manager, left, settings):
        page = left()
        first, second = settings.SECRET_KEY, "b" * 60
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = second, [first]
        manager.force_login(manager.user)
        assert "Quillfeather" in text_of(manager.get(page))
        page = left()
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "c" * 60, [first]
        manager.force_login(manager.user)
        assert "Quillfeather" not in text_of(manager.get(page))


class TestIsNotParked:
    def test_what_a_signed_in_person_sends(self, manager):
        post(manager, take_payment(manager))
        assert parked(manager) == {}

    def test_a_part_of_a_page(self, manager):
        sent = new_family(manager)
        expire(manager)
        post(manager, sent, **{"hx-request": "true", "hx-current-url": f"http://testserver{sent.to}"})
        assert parked(manager) == {}

    def test_a_file(self, manager):
        expire(manager)
        url = reverse("bank_files")
        manager.post(url, {"file": "x"}, headers={"referer": f"http://testserver{url}"})
        assert parked(manager) == {}

    @pytest.mark.parametrize("name", ["account_change_password", "account_reauthenticate", "mfa_activate_totp", "account_login"])
    def test_what_belongs_to_signing_in(self, manager, name):
        expire(manager)
        post(manager, Sent(reverse(name), {"code": "123456", "login": "a@example.com"}, ()))
        assert parked(manager) == {}

    def test_a_password_wherever_it_is_sent(self, manager):
        expire(manager)
        post(manager, Sent(reverse("signup_new_family"), {**FAMILY, "new_password": "seven herons"}, ()))
        assert parked(manager) == {}

    @pytest.mark.parametrize("fields", [{"csrfmiddlewaretoken": "x" * 32}, {"notes": "x" * 300_000}])
    def test_nothing_and_too_much(self, manager, fields):
        expire(manager)
        post(manager, Sent(reverse("signup_new_family"), fields, ()))
        assert parked(manager) == {}

    def test_what_came_from_elsewhere(self, manager):
        expire(manager)
        post(manager, new_family(manager), referer="http://evil.test/signup/new/")
        assert parked(manager) == {}

    def test_more_than_twenty_a_minute(self, db):
        client, keys = Client(), set()
        for _ in range(25):
            post(client, new_family(client))
            keys |= set(parked(client).values())
        assert len(keys) == 20


@pytest.mark.django_db(transaction=True)
class TestInABrowser:
    def test_the_session_ends_while_a_payment_is_typed_and_the_payment_is_taken_after_signing_in(
        self, page, live_server, client_as
    ):
        client = client_as(UserFactory(role=Role.SPECIALIST, password=True))
        page.context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}])
        url = live_server.url + reverse("payment_take", args=[HouseholdFactory().pk])
        page.goto(url)
        page.get_by_label("Amount").fill("41.5")
        page.get_by_label("Check", exact=True).check()
        page.get_by_label("Check number").fill("88123")
        expire(client)
        page.get_by_role("button", name="Take the payment").click()
        page.get_by_label("E-mail address").fill(client.user.email)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(url)
        page.get_by_text(NOTICE).wait_for()
        page.get_by_role("button", name="Take the payment").click()
        page.get_by_text("$41.50 taken. Receipt").wait_for()
        assert Payment.objects.get().cheque_number == "88123"


MADE = [Household, Payment, Agreement, WorkOrder, School, Programme, RequiredItem]


def sign_in(client, person, url):
    token = token_on(client.get(url))
    return client.post(url, {"login": person.email, "password": PASSWORD, "csrfmiddlewaretoken": token})


def token_on(page) -> str:
    return re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', text_of(page))[1]


def kept_at(client) -> str:
    (key,) = parked(client).values()
    return f"parked:{key}"

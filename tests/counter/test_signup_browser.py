"""A whole sign-up in a real browser: by keyboard alone, with what the scripts add; and what happens when somebody was faster."""

import os
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from rentals.agreements.models import Agreement, SignUpDraft
from rentals.documents.models import Document
from rentals.documents.operations import make_document
from rentals.runtime import clock
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.agreements.test_operations import a_signup
from tests.browser import list_violations
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, ProductFactory, kind
from tests.look.test_gallery import SIZES, SMALL
from tests.schools.factories import ProgrammeFactory, RequiredItemFactory

PICTURES = os.environ.get("OFFICE_PICTURES", "")


@pytest.fixture
def shop(live_server):
    """A shop with two violins of a size, one clarinet, and a school that asks for rosin."""
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    for code in ("violin", "clarinet"):
        RateFactory(kind=kind(code))
    half = CatalogueItemFactory(kind_code="violin", size="1/2")
    InstrumentFactory(asset_tag="VN-1001", item=half)
    InstrumentFactory(asset_tag="VN-1002", item=half)
    programme = ProgrammeFactory(school__name="Maplewood School", kind="orchestra")
    rosin = ProductFactory(name="Rosin", price="8.00")
    RequiredItemFactory(programme=programme, kind=kind("violin"), product=rosin)
    HouseholdFactory(name="Lindqvist", guardian__phone="+13125550142", guardian__email="guardian@example.com")
    return live_server.url


@pytest.fixture
def specialist(page, shop, client_as, live_server):
    """A page signed in as a specialist."""
    client = client_as("specialist")
    cookie = client.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
    page.set_viewport_size({"width": 1024, "height": 768})
    return page


def picture(page, name: str) -> None:
    """Keep a picture of every size and theme, when a folder for them is named."""
    for width, height in SIZES if PICTURES else []:
        for theme in ("light", "dark"):
            page.set_viewport_size({"width": width, "height": height})
            page.emulate_media(color_scheme=theme)
            page.screenshot(path=str(Path(PICTURES) / f"{name}-{width}-{theme}.png"), full_page=True)
    page.set_viewport_size({"width": 1024, "height": 768})
    page.emulate_media(color_scheme="light")


def check(page, least: int = 44) -> None:
    """Accessible in both themes (axe-core), no sideways scroll at any width, targets large enough on a tablet."""
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        assert list_violations(page) == []
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0
    page.set_viewport_size({"width": 768, "height": 1024})
    assert page.evaluate(SMALL, least) == []
    page.set_viewport_size({"width": 1024, "height": 768})
    page.emulate_media(color_scheme="light")


def go_to(page, selector: str) -> None:
    """Press Tab until the control has the focus, as a person without a mouse does."""
    for _ in range(80):
        if page.evaluate("selector => document.activeElement?.matches(selector) ?? false", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab never reached {selector}")


def settled(page, key: str) -> None:
    """Press a key and wait until the sheet has been brought up to date."""
    with page.expect_response(lambda answer: answer.url.endswith("/panel/")):
        page.keyboard.press(key)


class TestByKeyboardAlone:
    def test_a_family_is_signed_up(self, specialist, shop):
        page = specialist
        page.goto(f"{shop}{reverse('signup')}")
        page.keyboard.type("0142")
        expect(page.get_by_role("button", name="Sign up Lindqvist")).to_be_visible()
        picture(page, "1-start")
        check(page)
        page.locator("#family-words").focus()
        go_to(page, "button[name=household]")
        page.keyboard.press("Enter")
        page.wait_for_url("**/signup/*-*/")
        self.fill_the_sheet(page)
        picture(page, "2-sheet")
        check(page)
        go_to(page, "button[name=review]")
        page.keyboard.press("Enter")
        page.wait_for_url("**/review/")
        picture(page, "3-review")
        check(page)
        self.sign(page)
        page.wait_for_url("**/done/")
        expect(page.get_by_text("Being made")).to_be_visible()
        make_document(document_id=Document.objects.get().pk, now=clock.now())
        expect(page.get_by_role("link", name="Open to print")).to_be_visible(timeout=15_000)
        picture(page, "4-done")
        check(page)
        agreement = Agreement.objects.get()
        assert agreement.units.get().instrument.asset_tag == "VN-1002"
        assert [line.product.name for line in agreement.goods.all()] == ["Rosin"]
        self.back_and_send_again(page)

    @staticmethod
    def fill_the_sheet(page) -> None:
        go_to(page, "#id_given_name")
        page.keyboard.type("Sky")
        go_to(page, "#id_programme")
        page.keyboard.type("Maplewood")
        go_to(page, "#id_kind")
        page.keyboard.type("Violin")
        with page.expect_response(lambda answer: answer.url.endswith("/panel/")):
            page.keyboard.press("Tab")
        go_to(page, "#id_arm")
        page.keyboard.type("21")
        settled(page, "Tab")
        expect(page.locator("#id_size")).to_have_value("1/2")
        expect(page.get_by_label("Rosin", exact=False).first).to_be_checked()
        go_to(page, "input[name=protection]")
        settled(page, "Space")
        go_to(page, "#id_tag")
        page.keyboard.type("vn-1002")
        settled(page, "Enter")
        expect(page.get_by_text("on the shelf at")).to_be_visible()
        expect(page.locator("#part-price")).to_contain_text("Due today")

    @staticmethod
    def sign(page) -> None:
        go_to(page, "#id_consent")
        page.keyboard.press("Space")
        go_to(page, "#id_signer_name")
        page.keyboard.type("Alex Lindqvist")
        go_to(page, "input[name=method]")
        page.keyboard.press("Space")
        go_to(page, "#id_amount")
        page.keyboard.press("Enter")

    @staticmethod
    def back_and_send_again(page) -> None:
        page.go_back()
        page.wait_for_load_state()
        button = page.get_by_role("button", name="Sign and take the payment")
        if button.is_visible():
            button.click()
        page.wait_for_url("**/done/")
        expect(page.get_by_text("Nothing was made again")).to_be_visible()
        assert Agreement.objects.count() == 1


class TestOnASlowLine:
    def test_what_is_answered_while_the_sheet_catches_up_stays_answered(self, specialist, shop):
        page, held = specialist, []
        page.goto(f"{shop}{reverse('signup')}?q=Lindqvist")
        page.get_by_role("button", name="Sign up Lindqvist").click()
        page.wait_for_url("**/signup/*-*/")

        def hold_the_first(route) -> None:
            if held:
                route.continue_()
            held.append(route)

        page.route("**/panel/", hold_the_first)
        with page.expect_request("**/panel/"):
            page.locator("#id_kind").select_option(label="Clarinet")
        page.get_by_label("With protection").check()
        page.locator("#id_tag").fill("vn-10")
        with page.expect_request("**/panel/") as next_one:
            held[0].continue_()
        expect(page.locator("#part-price")).to_contain_text("None of these is on a shelf now.")
        expect(page.get_by_label("With protection")).to_be_checked()
        assert "protection=yes" in next_one.value.post_data
        page.locator("#id_kind").select_option(label="Violin")
        expect(page.locator("#id_size")).to_be_visible()
        expect(page.get_by_label("With protection")).to_be_checked()


class TestWhenSomebodyWasFaster:
    def test_the_second_is_told_and_takes_the_next_one(self, specialist, shop):
        page = specialist
        page.goto(f"{shop}{reverse('signup')}?q=Lindqvist")
        page.get_by_role("button", name="Sign up Lindqvist").click()
        TestByKeyboardAlone.fill_the_sheet(page)
        page.get_by_role("button", name="Review and sign").click()
        page.wait_for_url("**/review/")
        self.take_away("VN-1002")
        page.get_by_label("The guardian has read this and agrees.").check()
        page.locator("#id_signer_name").fill("Alex Lindqvist")
        page.get_by_label("Cash").check()
        page.get_by_role("button", name="Sign and take the payment").click()
        expect(page.get_by_role("alert")).to_contain_text("VN-1002 cannot be given out")
        picture(page, "5-taken")
        check(page)
        page.get_by_role("button", name="Take VN-1001").click()
        expect(page.locator(".answers")).to_contain_text("VN-1001")
        assert SignUpDraft.objects.get().agreement is None

    @staticmethod
    def take_away(tag: str) -> None:
        from rentals.agreements.operations import sign_agreement
        from rentals.inventory.models import Instrument
        from tests.factories import SpecialistFactory

        signup = a_signup(instrument=Instrument.objects.get(asset_tag=tag), starts_on=clock.today(), goods=())
        sign_agreement(signup=signup, acting_user=SpecialistFactory(), now=clock.now(), today=clock.today())


class TestTheOtherScreens:
    def test_are_accessible_at_every_width(self, page, shop, client_as):
        client = client_as("manager")
        page.context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": shop}])
        self.sign_one()
        found = Agreement.objects.get()
        version = found.plan_version
        for name, address in {
            "6-new-family": reverse("signup_new_family"),
            "7-agreements": reverse("agreements"),
            "8-agreement": reverse("agreement", args=[found.pk]),
            "9-terms": reverse("terms"),
            "10-price": reverse("terms_rate_add"),
            "11-draft": reverse("terms_draft", args=[version.plan_id]),
            "13-rates": reverse("terms_rates"),
            "12-version": reverse("terms_version", args=[version.pk]),
        }.items():
            page.goto(f"{shop}{address}")
            picture(page, name)
            check(page, least=44 if "signup" in address else 24)

    @staticmethod
    def sign_one() -> None:
        from rentals.agreements.operations import sign_agreement
        from tests.factories import SpecialistFactory

        RateFactory(kind=kind("clarinet"))
        signup = a_signup(starts_on=clock.today())
        sign_agreement(signup=signup, acting_user=SpecialistFactory(), now=clock.now(), today=clock.today())

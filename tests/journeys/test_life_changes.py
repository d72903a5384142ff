"""What may happen to a running agreement, done on its screens against the office's own processes, by the people who may."""

import datetime
import io
import re

import pytest
from django.core.management import call_command
from playwright.sync_api import Page, expect

from billing import charges, payments
from billing import queries as billing
from rentals.agreements import life
from rentals.agreements.models import Agreement
from rentals.documents.models import Document
from rentals.inventory.models import Location
from rentals.runtime import clock
from rentals.staff.models import User
from schools.models import Programme
from tests.agreements.factories import AgreementFactory
from tests.families.factories import GuardianFactory
from tests.journeys.test_first_day import enter, leave


@pytest.fixture
def shop(office, demo):
    """The running office with a small scenario in its books."""
    demo(households=100)
    return office


def open_agreements():
    return Agreement.objects.filter(ended_on=None, holds=None).select_related("household", "guardian", "student")


def letters():
    """What families are told of a change."""
    return Document.objects.filter(kind__in=["addendum", "recall"])


def go(page: Page, url: str, agreement: Agreement, act: str) -> None:
    """Open an agreement and choose what to do with it."""
    page.goto(f"{url}/agreements/{agreement.pk}/")
    page.get_by_role("link", name=act, exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_be_visible()


def sign(page: Page, name: str, button: str) -> None:
    page.get_by_label(re.compile("has read this and agrees")).check()
    page.get_by_label(re.compile("full name to sign")).fill(name)
    page.get_by_role("button", name=button).click()


def happened(page: Page, words: str) -> None:
    """The agreement's page is back, and its timeline says it."""
    expect(page.get_by_role("heading", level=1, name=re.compile("^Agreement A-"))).to_be_visible()
    expect(page.locator(".timeline")).to_contain_text(words)


class TestALifeOfChanges:
    def test_every_move_of_a_running_agreement(self, page: Page, shop):
        url = shop.url
        before = set(letters().values_list("pk", flat=True))
        enter(page, url, "rosa")
        agreement = open_agreements().order_by("-pk")[0]
        GuardianFactory(household=agreement.household, given_name="Robin", is_primary=False)
        self.the_due_day_is_changed(page, url, agreement)
        self.protection_goes_and_comes(page, url, agreement)
        self.the_school_is_changed(page, url, agreement)
        self.the_payments_are_shared(page, url, agreement)
        self.another_household_takes_it_over(page, url, agreement)
        self.a_mistake_of_today_is_voided(page, url)
        leave(page)

        enter(page, url, "mina")
        running = open_agreements().filter(follows=None).order_by("pk")[0]
        self.billing_is_held_and_goes_on(page, url, running)
        self.an_instrument_is_recalled_and_left(page, url)
        leave(page)
        self.letters_are_made(page, before)

        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue()), out.getvalue()

    def the_due_day_is_changed(self, page: Page, url: str, agreement: Agreement) -> None:
        go(page, url, agreement, "Change the due day")
        day = "12" if life.list_segments(agreement)[-1].anchor_on.day != 12 else "13"
        page.get_by_label("Rent falls due on").select_option(day)
        expect(page.locator("#due-day-preview")).to_contain_text("A bridge:")
        sign(page, str(agreement.guardian), "Change the due day")
        happened(page, f"To day {day} of the month")

    def protection_goes_and_comes(self, page: Page, url: str, agreement: Agreement) -> None:
        acts = ["Drop protection", "Add protection"]
        if not life.list_segments(agreement)[-1].protection:
            acts.reverse()
        for act in acts:
            go(page, url, agreement, act)
            sign(page, str(agreement.guardian), act)
            happened(page, "Protection added" if act.startswith("Add") else "Protection dropped")

    def the_school_is_changed(self, page: Page, url: str, agreement: Agreement) -> None:
        go(page, url, agreement, "Change the school")
        other = Programme.objects.exclude(pk=agreement.student.programme_id).select_related("school")[0]
        page.get_by_label("School and programme").select_option(label=str(other))
        page.get_by_role("button", name="Change the school").click()
        happened(page, f"to {other}")

    def the_payments_are_shared(self, page: Page, url: str, agreement: Agreement) -> None:
        go(page, url, agreement, "Share the payments")
        shares = page.get_by_label(re.compile("per cent"))
        shares.nth(0).fill("60")
        shares.nth(1).fill("40")
        sign(page, str(agreement.guardian), "Share the payments")
        happened(page, "60%")

    def another_household_takes_it_over(self, page: Page, url: str, agreement: Agreement) -> None:
        other = open_agreements().exclude(household=agreement.household_id)[0].household
        taker = other.guardians.get(is_primary=True)
        go(page, url, agreement, "Transfer to another guardian")
        page.locator("#family-words").fill(other.number)
        page.locator("form.filters").get_by_role("button", name="Find").click()
        page.get_by_role("link", name=f"Choose {taker} ({other.number})").click()
        sign(page, str(taker), "Transfer the agreement")
        happened(page, f"From {agreement.guardian}, {agreement.number}")
        expect(page.locator("dl.facts")).to_contain_text(other.number)
        page.goto(f"{url}/agreements/{agreement.pk}/")
        expect(page.locator("dl.tiles")).to_contain_text("goes on as")

    def a_mistake_of_today_is_voided(self, page: Page, url: str) -> None:
        who = {"acting_user": User.objects.get(email="rosa@office.example"), "now": clock.now()}
        like = open_agreements()[0]
        made = AgreementFactory(
            household=like.household,
            guardian=like.guardian,
            student=like.student,
            tax_area=like.tax_area,
            plan_version=like.plan_version,
            signed_by=who["acting_user"],
            signed_at=who["now"] - datetime.timedelta(minutes=1),
            starts_on=clock.today(),
            unit=True,
        )
        charge = billing.charge_on_account(charges.charge_period(agreement=made, period=0, **who))
        payments.record_payment(
            household=made.household, method="cash", amount=charge.amount, received_on=clock.today(), cheque_number="", **who
        )
        go(page, url, made, "Void, signed by mistake today")
        expect(page.locator("main")).to_contain_text("these charges are taken back")
        page.get_by_label("Why").fill("Signed for the wrong child")
        page.get_by_label("goes back to the shelf at").select_option(label=str(Location.objects.filter(is_active=True)[0]))
        page.get_by_role("button", name="Void the agreement").click()
        happened(page, "Signed for the wrong child")
        expect(page.locator(".page-head")).to_contain_text("Voided")

    def billing_is_held_and_goes_on(self, page: Page, url: str, agreement: Agreement) -> None:
        go(page, url, agreement, "Put billing on hold")
        page.get_by_label("Why").fill("The student is in hospital")
        page.get_by_role("button", name="Put billing on hold").click()
        happened(page, "Billing on hold")
        expect(page.locator(".page-head")).to_contain_text("Billing on hold")
        go(page, url, agreement, "Let billing go on")
        expect(page.locator("main")).to_contain_text("No month began meanwhile")
        page.get_by_role("button", name="Let billing go on").click()
        happened(page, "Billing goes on")

    def an_instrument_is_recalled_and_left(self, page: Page, url: str) -> None:
        late = next(each for each in open_agreements().order_by("pk") if billing.sum_balance(each.household_id) >= 0)
        page.goto(f"{url}/agreements/{late.pk}/")
        self.it_owes_for_strings(page)
        go(page, url, late, "Recall for non-payment")
        expect(page.locator("main")).to_contain_text(
            "The agreement stays open until the instrument is back, the recall is lifted"
        )
        page.get_by_label("Why").fill("Two letters were not answered.")
        page.get_by_role("button", name="Recall it and write to the family").click()
        happened(page, "Two letters were not answered.")
        expect(page.locator(".page-head")).to_contain_text("Recalled")
        go(page, url, late, "Lift the recall")
        page.get_by_role("button", name="Lift the recall").click()
        happened(page, "Recall lifted")

    @staticmethod
    def it_owes_for_strings(page: Page) -> None:
        """Whether a family of the scenario owes today depends on the day; this one does."""
        page.get_by_role("link", name="Adjust what is owed").click()
        page.get_by_label("The family owes more").check()
        page.get_by_label("Amount").fill("24.00")
        page.get_by_label("Reason").fill("Strings taken along in the summer")
        page.get_by_role("button", name="Adjust the account").click()
        expect(page.get_by_text("Strings taken along").first).to_be_visible()

    def letters_are_made(self, page: Page, before: set[int]) -> None:
        """The worker makes the letters: due day, protection twice, school, shares, transfer twice, void, hold twice, recall."""
        wanted = letters().exclude(pk__in=before)
        assert wanted.count() == 12
        for _ in range(60):
            if not wanted.exclude(state="made").exists():
                return
            page.wait_for_timeout(500)
        assert not wanted.exclude(state="made").exists()

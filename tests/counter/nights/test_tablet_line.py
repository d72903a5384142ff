"""The waiting line on the tablet: called with a network, said without one, given back, and ended by what is signed."""

import uuid

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from rentals.agreements.models import NightSignUp
from schools import line
from schools.models import WaitingNumber
from tests.counter.nights.tablets import open_night
from tests.counter.nights.test_tablet_steps import look
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.staff.test_screens import sign_in

pytestmark = pytest.mark.django_db(transaction=True)
PHRASE = "four quiet clarinets tonight"


@pytest.fixture
def night():
    found = open_night("CL-1")
    StudentFactory(household=HouseholdFactory(name="Lindqvist"), programme=found.programmes.get())
    for note in ("MK", "", "K7QX"):
        words = {"note": note, "from_home": note == "K7QX", "request_key": uuid.uuid4(), "now": timezone.now()}
        line.take_a_number(night=found, acting_user=found.staff.get().user, **words)
    return found


@pytest.fixture
def tablet(page, live_server, night):
    """A tablet at the first question."""
    sign_in(page.context, live_server.url, night.staff.get().user)
    page.goto(live_server.url + reverse("tablet", args=[night.pk]))
    page.locator("#begin-phrase").fill(PHRASE)
    page.get_by_label("The same again").fill(PHRASE)
    page.get_by_role("button", name="Keep the evening").click()
    page.locator("[data-start]").click(timeout=60_000)
    return page


def act(page):
    return page.locator("#night-line-act")


def shown(page):
    return page.locator("#night-line")


def test_calls_gives_back_and_says_when_there_is_no_network(tablet):
    page = tablet
    look(page, "line-before")
    act(page).click()
    expect(shown(page)).to_contain_text("Number 1 MK")
    expect(page.locator("#night-find")).to_be_focused()
    look(page, "line-called")
    act(page).click()
    expect(shown(page)).to_contain_text("It is back in line, behind the next two.")
    assert WaitingNumber.objects.get(number=1).called_at is None

    page.context.set_offline(True)
    expect(act(page)).to_be_disabled()
    expect(shown(page)).to_contain_text("Calling needs the network: ask who is next, and go on without a number.")
    page.context.set_offline(False)
    expect(act(page)).to_be_enabled(timeout=30_000)

    # The office calls, its answer is lost: the same number is told at the next try.
    page.route("**/line/next/", lambda route: (route.fetch(), route.abort()), times=1)
    act(page).click()
    expect(shown(page)).to_contain_text("No number just now: go on without one.")
    act(page).click()
    expect(shown(page)).to_contain_text("Number 2")
    assert WaitingNumber.objects.exclude(called_at=None).get().number == 2
    act(page).click()
    expect(act(page)).to_have_text("Call the next number")

    # A form from home stands in the search at once.
    act(page).click()
    expect(shown(page)).to_contain_text("Number 3 with the form from home K7QX")
    expect(page.locator("#night-find")).to_have_value("K7QX")


def test_the_number_stays_while_it_is_served_and_ends_with_the_signature(tablet, night):
    page = tablet
    act(page).click()
    expect(shown(page)).to_contain_text("Number 1 MK")
    page.get_by_role("button", name="New family").click()
    page.get_by_role("button", name="Put this sign-up away").click()
    page.get_by_role("button", name="Yes, put it away").click()
    expect(shown(page)).to_contain_text("Number 1 MK")

    page.get_by_label("First letters of any name").fill("li")
    page.get_by_role("button", name="Lindqvist").click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_text("Clarinet", exact=True).click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_text("CL-1").click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_text("Without protection", exact=True).or_(page.get_by_text("With protection", exact=True)).first.click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_text("I agree to sign electronically, as said here").click()
    page.get_by_role("button", name="Type the name instead").click()
    page.get_by_role("button", name="Continue").click()
    page.get_by_text("Cash", exact=True).click()
    page.get_by_label("Cash in hand").fill("500")
    assert WaitingNumber.objects.get(number=1).done_at is None
    page.get_by_role("button", name="Finish the sign-up").click()
    expect(page.get_by_text("The office has it: agreement")).to_be_visible(timeout=30_000)
    kept = NightSignUp.objects.get()
    assert (kept.waiting, kept.state) == (1, "arrived")
    assert WaitingNumber.objects.get(number=1).done_at is not None
    page.get_by_role("button", name="Next family").click()
    expect(act(page)).to_have_text("Call the next number")

"""A school's cleaning day, worked by scans alone in a real browser: twenty expected, one of another school, one that is not due,
one that does not come. All that came are cleaned and go back to their families; only the absent one is reminded after that."""

import datetime

import pytest
from django.test import Client
from playwright.sync_api import expect

from rentals.counter import cleanings
from rentals.counter.cleaning_days import operations
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, WorkOrder
from rentals.runtime import clock
from schools.models import CleaningVisit
from tests.browser import Office
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import UserFactory
from tests.inventory.factories import LocationFactory
from tests.inventory.test_bench_browser import Scanner
from tests.schools.factories import ProgrammeFactory

EXPECTED = 20
ABSENT = "CD-1020"


@pytest.fixture
def school():
    return ProgrammeFactory(school__name="Alder School")


@pytest.fixture
def rentals(school):
    """Twenty rentals whose cleaning is due, by tag, and two that should not come."""
    today = clock.today()
    year_ago = today - datetime.timedelta(days=380)
    made = {f"CD-{1001 + place}": rent(school, tag=f"CD-{1001 + place}", starts_on=year_ago) for place in range(EXPECTED)}
    rent(ProgrammeFactory(school__name="Birch School"), tag="CD-2001", starts_on=year_ago)
    rent(school, tag="CD-3001", starts_on=today - datetime.timedelta(days=100))
    return made


@pytest.fixture
def page(office: Office, context, school, rentals):
    """The day's page, open for a technician with a scanner."""
    technician = UserFactory(role="technician")
    day = operations.plan_day(
        school=school.school,
        on=clock.today(),
        due_until=clock.today(),
        location=LocationFactory(),
        acting_user=technician,
        now=clock.now(),
    )
    client = Client()
    client.force_login(technician)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    opened = context.new_page()
    opened.goto(f"{office.url}/bench/cleaning-days/{day.pk}/")
    return opened


def words(page):
    return page.locator(".desk-words")


def count_of(page, name):
    return page.locator(".tile", has_text=name).locator("dd")


def test_twenty_are_cleaned_and_go_back_by_scans_alone(page, rentals):
    scanner = Scanner(page)
    here = [tag for tag in rentals if tag != ABSENT]

    # In: one burst after the other, without waiting for the answers.
    for tag in here:
        scanner.scan(tag, 10, "Enter")
    expect(words(page)).to_have_text(f"Expected: {here[-1]}", timeout=30_000)
    expect(count_of(page, "Came")).to_have_text("19")
    scanner.scan("CD-2001", 10, "Enter")
    expect(words(page)).to_have_text("Wrong school: CD-2001")
    scanner.scan("CD-3001", 10, "Enter")
    expect(words(page)).to_have_text("Not due yet: CD-3001")
    scanner.scan(here[0], 10, "Enter")
    expect(words(page)).to_have_text(f"Already: {here[0]} is here")
    assert CleaningVisit.objects.exclude(came_at=None).count() == 19
    assert Custody.objects.filter(ended_at=None, place="bench").count() == 19

    # Cleaned, then back: a card switches the step.
    scanner.scan(".CLEANED", 10, "Enter")
    expect(words(page)).to_have_text("Cleaned")
    for tag in here:
        scanner.scan(tag, 10, "Enter")
    expect(words(page)).to_have_text(f"Cleaned: {here[-1]}", timeout=30_000)
    scanner.scan(".TOFAMILY", 10, "Enter")
    expect(words(page)).to_have_text("Going back")
    for tag in here:
        scanner.scan(tag, 10, "Enter")
    expect(words(page)).to_have_text(f"Back: {here[-1]}", timeout=30_000)
    expect(count_of(page, "Still here")).to_have_text("0")
    page.get_by_role("button", name="Close the day").click()
    expect(count_of(page, "Missed")).to_have_text("1")
    expect(page.locator("tr[data-state=missing]")).to_contain_text(ABSENT)

    # What is true afterwards.
    for tag in here:
        unit = Instrument.objects.get(asset_tag=tag)
        chain = [custody.place for custody in queries.list_custodies(unit)]
        assert chain == ["family", "bench", "family"]
        assert queries.get_whereabouts(unit).custody.household == rentals[tag].household
        assert unit.last_cleaned_on == clock.today()
    assert WorkOrder.objects.filter(kind="cleaning", state="done", outcome="repaired").count() == 19
    assert not WorkOrder.objects.filter(closed_at=None).exists()
    reminded = {due.instrument.asset_tag for due in cleanings.list_reminders_due(today=clock.today())}
    assert reminded == {ABSENT, "CD-2001"}
    assert instrument_of(rentals[ABSENT]).last_cleaned_on is None


def test_what_could_not_be_sent_waits_and_is_sent_once(page, rentals):
    scanner = Scanner(page)
    page.context.set_offline(True)
    scanner.scan("CD-1001", 10, "Enter")
    scanner.scan("CD-1002", 10, "Enter")
    expect(page.locator("[data-desk-waits]")).to_contain_text("2 scans not sent yet")
    page.context.set_offline(False)
    expect(words(page)).to_have_text("Expected: CD-1002", timeout=15_000)
    assert CleaningVisit.objects.exclude(came_at=None).count() == 2
    assert WorkOrder.objects.count() == 2


def test_a_wrong_scan_is_undone_by_a_button(page, rentals):
    Scanner(page).scan("CD-1001", 10, "Enter")
    page.get_by_role("button", name="Undo").click()
    expect(words(page)).to_have_text("Undone: CD-1001")
    assert queries.get_whereabouts(instrument_of(rentals["CD-1001"])).place == "family"

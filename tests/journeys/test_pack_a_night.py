"""A manager plans a sign-up night, follows the arithmetic of its allotment, and the van is packed by scans: twelve instruments,
one of them held, one of another size, and one answer that was lost on the way."""

import datetime

import pytest
from django.test import Client
from playwright.sync_api import expect

from rentals.inventory.models import Custody, Instrument
from rentals.runtime import clock
from schools.models import AllotmentLine, Night, NightUnit
from tests.browser import Office
from tests.counter.cleaning_school import rent
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory, LocationFactory
from tests.inventory.test_bench_browser import Scanner
from tests.schools.factories import ProgrammeFactory

ON = clock.today() + datetime.timedelta(days=6)


def stand(tag, item, **facts):
    return InstrumentFactory(asset_tag=tag, item=item, last_cleaned_on=clock.today(), **facts)


@pytest.fixture
def shelves():
    """Three violins and five clarinets signed for in the last year; ten clarinets, three violins 1/2 and one 3/4 on the shelf."""
    programme = ProgrammeFactory(school__name="Alder School")
    clarinet, half, larger = (
        CatalogueItemFactory(kind_code="clarinet"),
        CatalogueItemFactory(kind_code="violin", size="1/2"),
        CatalogueItemFactory(kind_code="violin", size="3/4"),
    )
    for item, count in ((clarinet, 5), (half, 3)):
        for _ in range(count):
            rent(programme, item=item, starts_on=clock.today() - datetime.timedelta(days=300))
    for number in range(10):
        stand(f"CL-{100 + number}", clarinet)
    for number in range(2):
        stand(f"VN-{200 + number}", half)
    HoldFactory(instrument=stand("VN-209", half), reason="For a teacher")
    stand("VN-300", larger)
    LocationFactory()
    return programme


@pytest.fixture
def page(office: Office, context, shelves):
    """The nights of a manager, with a scanner at hand."""
    client = Client()
    client.force_login(ManagerFactory())
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    opened = context.new_page()
    opened.goto(f"{office.url}/nights/")
    return opened


def plan(page):
    """Plan a night of Alder School for eight families, led by Rosa Sample."""
    lead = SpecialistFactory(name="Rosa Sample")
    page.get_by_role("link", name="Plan a night").click()
    page.get_by_label("School").select_option(label="Alder School")
    page.get_by_role("button", name="Go on").click()
    page.get_by_label("Day").fill(f"{ON:%m/%d/%Y}")
    page.get_by_label("Doors open").fill("5:30 pm")
    page.get_by_label("Doors close").fill("8 pm")
    page.get_by_label("Families expected").fill("8")
    page.get_by_label("Van leaves from").select_option(label="Main Street shop")
    page.get_by_label("Rosa Sample").check()
    page.get_by_label("Lead").select_option(label="Rosa Sample")
    page.get_by_role("button", name="Plan the night").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Alder School")
    assert Night.objects.get().staff.get().user == lead


def test_a_night_is_planned_and_its_van_packed(page, shelves):
    plan(page)

    # The allotment, followed with a pencil: five of eight families took a clarinet, no pool to lean on.
    page.get_by_role("link", name="Allotment").click()
    page.get_by_role("button", name="Propose an allotment").click()
    line = AllotmentLine.objects.get(kind="clarinet")
    page.get_by_text(f"How {line.proposed} came about: Clarinet").click()
    expect(page.get_by_text("Own history: 5 of 8 families took it.")).to_be_visible()
    expect(page.get_by_text("Expected: 8 families × 62.5% = 5.00.")).to_be_visible()
    page.get_by_label("How many: Clarinet").fill("9")
    page.get_by_label("How many: Violin 1/2").fill("3")
    page.get_by_role("button", name="Save the numbers").click()
    expect(page.get_by_text("Changed by hand").first).to_be_visible()
    short = page.get_by_role("region", name="What is short")
    expect(short).to_contain_text("Size 3/4, here")
    expect(short).to_contain_text("Here but held for somebody")

    # Packed: nine clarinets in one burst.
    page.get_by_role("link", name="Packing", exact=True).click()
    page.get_by_role("link", name="Load the van").click()
    scanner, told = Scanner(page), page.locator(".desk-words")
    for number in range(9):
        scanner.scan(f"CL-{100 + number}", 10, "Enter")
    expect(told).to_have_text("Loaded: CL-108", timeout=30_000)
    expect(page.locator(".tile", has_text="In the van").locator("dd")).to_have_text("9")

    # The server does it, the answer is lost on the way; it is asked for again and done once.
    page.route("**/load/", lambda route: (route.fetch(), route.abort()), times=1)
    scanner.scan("VN-200", 10, "Enter")
    expect(told).to_have_text("Loaded: VN-200", timeout=15_000)
    assert NightUnit.objects.filter(instrument__asset_tag="VN-200").count() == 1
    scanner.scan("VN-201", 10, "Enter")
    expect(told).to_have_text("Loaded: VN-201")

    # Two surprises.
    scanner.scan("VN-209", 10, "Enter")
    expect(told).to_have_text("Left here: VN-209")
    expect(page.locator(".desk-verdict")).to_contain_text("For a teacher")
    scanner.scan("VN-300", 10, "Enter")
    expect(told).to_have_text("Load VN-300?")
    page.get_by_role("button", name="Instead of Violin 1/2").click()
    expect(told).to_have_text("Loaded: VN-300")
    expect(page.get_by_text("All done")).to_be_visible()

    # Packed, and frozen.
    page.get_by_role("link", name="To the packing list").click()
    expect(page.get_by_text("Substitute")).to_be_visible()
    page.get_by_role("button", name="The van is packed").click()
    expect(page.get_by_text("The numbers stay as they are.")).to_be_visible()
    page.get_by_role("link", name="Allotment").click()
    expect(page.get_by_role("button", name="Save the numbers")).to_have_count(0)

    # What is true afterwards.
    assert Custody.objects.filter(place="van", ended_at=None).count() == NightUnit.objects.filter(ended_at=None).count() == 12
    assert Instrument.objects.get(asset_tag="VN-209").night_units.count() == 0
    assert Night.objects.get().state == "open"

"""A count of three hundred instruments with five surprises, in a browser against the office's own processes, while one moves."""

import datetime
import re

import pytest
from django.db.models import Count
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Page, expect

from rentals.inventory.models import CountScan, Custody, Instrument, StockCount
from rentals.inventory.operations import move_instrument
from tests.browser import list_violations
from tests.factories import TechnicianFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory
from tests.inventory.scanner import Scanner

STANDING = 300
BY_SCANNER = 60
MISSING, MOVER = "FL-1299", "FL-1300"
RECEIVED = datetime.datetime(2025, 6, 2, 15, 0, tzinfo=datetime.UTC)

# What the page does with a code, for the long middle of the shelf: told as the scanner's own event.
BULK = """tags => { const box = document.querySelector("[data-count]");
  for (const code of tags) box.dispatchEvent(new CustomEvent("scan", { bubbles: true, cancelable: true, detail: { code } })); }"""


@pytest.fixture
def fleet(office):
    """Three hundred on the shelf of the main shop, and the surprises of the day."""
    item, mover, shop = CatalogueItemFactory(), TechnicianFactory(name="Theo Okafor"), LocationFactory()
    made = [
        Instrument(asset_tag=f"FL-{number}", item=item, acquired_on=RECEIVED.date(), serial_number=f"S{number}")
        for number in range(1001, 1001 + STANDING)
    ]
    units = Instrument.objects.bulk_create(made)
    Custody.objects.bulk_create(
        Custody(instrument=unit, place="shelf", location=shop, began_at=RECEIVED, reason="Received", moved_by=mover)
        for unit in units
    )
    InstrumentFactory(asset_tag="NO-2001", item=item, place__location=LocationFactory(code="north", name="North shop"))
    InstrumentFactory(asset_tag="FA-2002", item=item, place="family", place__household=HouseholdFactory())
    InstrumentFactory(asset_tag="SO-2003", item=item, place="sold")
    return mover


def sign_in(office, context, user) -> Page:
    client = Client()
    client.force_login(user)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    return context.new_page()


def settle(page: Page, show: str, tags: list[str], how: str, why: str) -> None:
    page.get_by_role("navigation", name="Parts of the review").get_by_role("link", name=re.compile(show)).click()
    for tag in tags:
        page.get_by_role("checkbox", name=tag).check()
    page.get_by_label("What to do with the ticked ones").select_option(label=how)
    page.get_by_label("Why", exact=True).fill(why)
    page.get_by_role("button", name="Settle them").click()


def scan_the_first(page: Page, tags: list[str]) -> None:
    """Scan sixty one after the other, the focus never touched; every tenth label is read twice."""
    verdict, scanner = page.locator("[data-verdict]"), Scanner(page)
    for place, tag in enumerate(tags[:BY_SCANNER]):
        scanner.at = page.evaluate("(performance.timeOrigin + performance.now()) / 1000")
        scanner.scan(tag, 8, "Enter")
        if place % 10 == 0:
            scanner.at += 0.4
            scanner.scan(tag, 8, "Enter")
        expect(verdict).to_contain_text(f"Counted {tag}")
    expect(page.locator("#code")).to_be_focused()
    expect(page.locator("[data-scanned]").first).to_have_text(str(BY_SCANNER))

    assert list_violations(page) == []


def lose_the_network(page: Page, tags: list[str]) -> None:
    """Let the network fail for a while: the scans wait in the page, also over a reload, and it says so."""
    page.route("**/scans/", lambda route: route.abort())
    page.evaluate(BULK, tags[BY_SCANNER : BY_SCANNER + 20])
    expect(page.locator("[data-unsent]")).to_contain_text("20 not yet sent.")
    page.on("dialog", lambda dialog: dialog.accept())
    page.reload()
    expect(page.locator("[data-unsent]")).to_contain_text("20 not yet sent.")
    page.unroute("**/scans/")
    expect(page.locator("[data-unsent]")).to_be_hidden()
    expect(page.locator("[data-scanned]").first).to_have_text(str(BY_SCANNER + 20))


def scan_the_rest(page: Page, tags: list[str]) -> None:
    """Scan the rest of the shelf, and the four things that should not be here."""
    verdict, scanner = page.locator("[data-verdict]"), Scanner(page)
    page.evaluate(BULK, tags[BY_SCANNER + 20 :])
    expect(page.locator("[data-scanned]").first).to_have_text(str(len(tags)))
    for tag, words in {
        "NO-2001": "Belongs to another shop",
        "FA-2002": "With a family by the books",
        "SO-2003": "Sold by the books",
        "XX-0007": "Unknown code",
    }.items():
        scanner.at = page.evaluate("(performance.timeOrigin + performance.now()) / 1000")
        scanner.scan(tag, 8, "Enter")
        expect(verdict).to_contain_text(f"{words} {tag}")


def review(page: Page, tags: list[str]) -> None:
    """Settle the five surprises and close the count."""
    page.get_by_role("link", name="Review and close").click()
    expect(page.locator(".tile", has_text="Found")).to_contain_text(f"{len(tags)}of {len(tags) + 1} expected")
    assert list_violations(page) == []
    settle(page, "Not seen", [MISSING], "Mark as lost", "Case is empty")
    settle(page, "Unexpected", ["NO-2001", "FA-2002"], "Put on the shelf at Main Street shop", "Stands here")
    settle(page, "Unexpected", ["SO-2003", "XX-0007"], "Leave as it is in the books", "The manager asks the buyer")
    page.get_by_role("button", name="Close the count").click()
    expect(page.get_by_text("The count of Main Street shop is closed: 298 of 299 found.")).to_be_visible()
    page.get_by_role("link", name="Explained by moves").click()
    expect(page.get_by_role("link", name=MOVER)).to_be_visible()


def check_the_books(count: StockCount, tags: list[str]) -> None:
    """Hold the chain of custody and the closed count against what was settled."""
    places = dict(Custody.objects.filter(ended_at=None).values_list("instrument__asset_tag", "place"))
    assert {tag: places[tag] for tag in (MISSING, MOVER, "NO-2001", "FA-2002", "SO-2003", tags[0])} == {
        MISSING: "lost",
        MOVER: "family",
        "NO-2001": "shelf",
        "FA-2002": "shelf",
        "SO-2003": "sold",
        tags[0]: "shelf",
    }
    moves = Custody.objects.filter(reason__startswith=f"Count {count.pk} of Main Street shop: ")
    assert moves.count() == 3
    assert Custody.objects.count() == STANDING + 3 + 1 + 3
    assert not Custody.objects.filter(ended_at=None).values("instrument").annotate(n=Count("pk")).filter(n__gt=1).exists()
    count.refresh_from_db()
    assert (count.expected, count.found, count.missing, count.unexpected) == (299, 298, 1, 4)


def test_three_hundred_are_counted_and_five_surprises_settled(office, context, fleet):
    page = sign_in(office, context, fleet)
    page.goto(f"{office.url}/instruments/counts/")
    page.get_by_role("link", name="Start a count").click()
    page.get_by_label("Shop").select_option(label="Main Street shop")
    page.get_by_role("button", name="Start counting").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Counting Main Street shop")
    count = StockCount.objects.get()
    tags = [f"FL-{number}" for number in range(1001, 1001 + STANDING) if f"FL-{number}" not in {MISSING, MOVER}]
    scan_the_first(page, tags)
    lose_the_network(page, tags)

    # Meanwhile one goes out to a family by a known move.
    move_instrument(
        instrument=Instrument.objects.get(asset_tag=MOVER),
        place="family",
        household=HouseholdFactory(),
        reason="Handed out",
        acting_user=fleet,
        now=timezone.now(),
    )

    scan_the_rest(page, tags)
    assert CountScan.objects.filter(count=count).count() == len(tags) + 4
    review(page, tags)
    check_the_books(count, tags)

"""Forty instruments come in one delivery: received by scanner, labelled, and in the books at what they cost, in a browser."""

from collections import Counter
from decimal import Decimal

import pypdfium2
import pytest
import zxingcpp
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Page, expect

from billing.fleet import operations as books
from billing.models import FleetAsset
from rentals.inventory.models import Custody, Delivery, Instrument, LabelLayout, LabelPrint
from tests.browser import Office, list_violations
from tests.factories import BookkeeperFactory, TechnicianFactory
from tests.inventory.factories import CatalogueItemFactory, LocationFactory
from tests.inventory.scanner import Scanner

CLARINETS, FLUTES = [f"K{number}" for number in range(7001, 7026)], [f"F-{number}" for number in range(301, 316)]
TAGS = [f"CL-{number:04d}" for number in range(1, 26)] + [f"FL-{number:04d}" for number in range(1, 16)]
COSTS = {"CL": Decimal("310.00"), "FL": Decimal("455.25")}
PACE = 8


@pytest.fixture
def desk(office: Office, context) -> Page:
    """The form of a delivery, open for a technician; the catalogue has the two models."""
    LocationFactory()
    CatalogueItemFactory(kind_code="clarinet", maker="Harrow", model="C1")
    CatalogueItemFactory(kind_code="flute", maker="Harrow", model="F1")
    client = Client()
    client.force_login(TechnicianFactory())
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    page = context.new_page()
    page.goto(f"{office.url}/instruments/deliveries/")
    page.get_by_role("link", name="Receive a delivery").first.click()
    return page


def tell_lines(page: Page) -> None:
    """Say what came: twenty-five clarinets, fifteen flutes."""
    page.get_by_label("Supplier").fill("Northgate Wholesale")
    page.get_by_label("Order number").fill("PO-7731")
    for number, model, pieces, cost in ((1, "Harrow C1", 25, "310"), (2, "Harrow F1", 15, "455.25")):
        line = page.locator(f"[data-line='{number}']")
        choice = line.get_by_label("Model")
        choice.select_option(choice.locator("option", has_text=model).get_attribute("value"))
        line.get_by_label("How many came").fill(str(pieces))
        line.get_by_label("Cost of each").fill(cost)


def scan_all(page: Page) -> None:
    """Scan forty serial numbers in bursts; the tenth is read twice, which is told, and the scanner goes on."""
    page.get_by_role("heading", level=1).click()
    scanner, boxes = Scanner(page), page.locator("textarea[data-codes='serial numbers']")
    for place, serial in enumerate(CLARINETS + FLUTES):
        scanner.at = page.evaluate("(performance.timeOrigin + performance.now()) / 1000")
        scanner.scan(serial, PACE)
        if place == 9:
            scanner.at += 0.6
            scanner.scan(serial, PACE)
            expect(page.locator("[data-said]")).to_have_text(
                f"{serial} stands on line 1 already, row 10. It was not taken again."
            )
    expect(boxes.nth(0)).to_have_value("\n".join([*CLARINETS, ""]))
    expect(boxes.nth(1)).to_have_value("\n".join([*FLUTES, ""]))


def receive(page: Page) -> Delivery:
    page.get_by_role("button", name="Receive all of it").click()
    expect(page.get_by_text("40 instruments received")).to_be_visible()
    made = Delivery.objects.get()
    assert list(made.instruments.order_by("pk").values_list("asset_tag", "serial_number")) == list(
        zip(TAGS, CLARINETS + FLUTES, strict=True)
    )
    assert Custody.objects.filter(ended_at=None, place="shelf", instrument__delivery=made).count() == 40
    for tag in TAGS:
        expect(page.get_by_role("link", name=tag, exact=True)).to_be_visible()
    assert list_violations(page) == []
    return made


def print_labels(page: Page) -> bytes:
    """Choose the sheet of thirty, make the PDF, and fetch it by the page's own link."""
    page.get_by_role("link", name="Print labels").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Print 40 labels")
    page.get_by_label("Sheet or roll").select_option(label=LabelLayout.objects.get(columns=3, rows=10).name)
    expect(page.locator("input[name='starts_at']")).to_have_count(30)
    page.get_by_role("button", name="Make the PDF").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("40 labels")
    way = page.get_by_role("link", name="Open the labels (PDF)").evaluate("link => link.href")
    answer = page.request.get(way)
    assert (answer.status, answer.headers["content-type"]) == (200, "application/pdf")
    return answer.body()


def read_sheets(content: bytes) -> list[Counter]:
    """Draw each page with PDFium at 300 dots per inch and read its codes with zxing-cpp, neither of them ours."""
    with pypdfium2.PdfDocument(content) as document:
        pictures = [page.render(scale=300 / 72).to_pil().convert("L") for page in document]
    return [Counter((str(code.format), code.text) for code in zxingcpp.read_barcodes(picture)) for picture in pictures]


def test_forty_are_received_labelled_and_in_the_books(office, desk):
    tell_lines(desk)
    scan_all(desk)
    made = receive(desk)
    codes = [Counter((sort, tag) for tag in tags for sort in ("Code 128", "QR Code")) for tags in (TAGS[:30], TAGS[30:])]
    assert read_sheets(print_labels(desk)) == codes
    noted = LabelPrint.objects.get()
    assert [label.asset_tag for label in noted.labels.order_by("place")] == TAGS
    desk.goto(f"{office.url}/instruments/?label=never")
    expect(desk.locator("main tbody tr")).to_have_count(0)
    desk.goto(f"{office.url}/instruments/")
    expect(desk.locator("main tbody tr")).to_have_count(40)

    done = books.book_instruments(
        terms=books.Terms(life_months=84, salvage_share=Decimal(0), tax_class=7),
        acting_user=BookkeeperFactory(),
        now=timezone.now(),
        today=made.instruments.first().acquired_on,
    )
    # 25 x 310.00 + 15 x 455.25 = 7,750.00 + 6,828.75
    assert (done.assets, done.cost) == (40, Decimal("14578.75"))
    found = FleetAsset.objects.values_list("instrument__asset_tag", "cost")
    assert dict(found) == {tag: COSTS[tag[:2]] for tag in TAGS}
    assert Instrument.objects.filter(cost=None).count() == 0

"""The cards and the board in a browser: each printed card reads back, an order goes by scans alone, the board is big enough."""

import io
import math

import pytest
import zxingcpp
from django.test import Client
from PIL import Image
from playwright.sync_api import expect

from rentals.inventory import commands, operations, queries
from rentals.inventory.models import BenchRate, WorkOrder
from rentals.runtime import clock
from rentals.runtime.money import money
from tests.browser import Office, list_violations
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, WorkOrderFactory
from tests.inventory.test_bench_browser import Scanner


@pytest.fixture
def technician(transactional_db):
    return UserFactory(role="technician")


@pytest.fixture
def page(office: Office, context, technician):
    """A page of a signed-in technician."""
    client = Client()
    client.force_login(technician)
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": office.url}])
    return context.new_page()


def words(page):
    return page.locator(".desk-words")


class TestPrintedCards:
    def test_both_codes_of_every_card_read_back(self, office, page):
        # Referee: zxing-cpp, on the page as the browser draws it for print, at the screen's coarse 96 dots an inch times two.
        page.emulate_media(media="print")
        page.goto(f"{office.url}/bench/cards/print/")
        read = set()
        for card in page.locator("li.card").all():
            for part in (card.locator("svg.card-square"), card.locator("svg.card-bars")):
                picture = Image.open(io.BytesIO(part.screenshot(scale="css"))).convert("L")
                picture = picture.resize((picture.width * 2, picture.height * 2), Image.Resampling.NEAREST)
                read |= {(str(code.format).rpartition(".")[2], code.text) for code in zxingcpp.read_barcodes(picture)}
        assert {text for _, text in read} == {command.code for command in commands.COMMANDS}
        assert len(read) == 2 * len(commands.COMMANDS), "each card reads both as QR Code and as Code 128"

    def test_a_card_has_the_size_of_a_card(self, office, page):
        page.goto(f"{office.url}/bench/cards/print/")
        box = page.locator("li.card").first.bounding_box()
        # 88 by 54 mm at 96 px an inch.
        assert (round(box["width"] * 25.4 / 96), round(box["height"] * 25.4 / 96)) == (88, 54)
        # A Code 128's narrowest bar (one module): wide enough for a hand scanner, 0.19 mm and more (common practice, no source).
        bars = page.locator("svg.card-bars").first
        modules = float(bars.get_attribute("viewBox").split()[2])
        assert bars.bounding_box()["width"] / modules * 25.4 / 96 >= 0.19


class TestDesk:
    def test_a_whole_order_by_scans_alone(self, office, page, technician):
        LocationFactory()
        BenchRate.objects.create(
            from_on=clock.today(),
            cost_per_hour=money("36.00"),
            price_per_hour=money("64.00"),
            set_at=clock.now(),
            set_by=technician,
        )
        unit = instrument_of(rent(None, tag="CL-1001"))
        page.goto(f"{office.url}/bench/cards/")
        scanner = Scanner(page)
        steps = [
            ("CL-1001", "CL-1001: with a family"),
            (".TAKEIN", "In the shop: CL-1001"),
            (".ONBENCH", "On the bench: CL-1001"),
            (".MIN15", "+ 15 minutes: CL-1001"),
            (".MIN05", "+ 5 minutes: CL-1001"),
            (".UNDOLAST", "Undone: CL-1001"),
            (".PARTS", "Waiting for parts: CL-1001"),
            (".ONBENCH", "On the bench: CL-1001"),
            (".QUALITY", "To the quality check: CL-1001"),
            (".PASSED", "Tested and ready: CL-1001"),
            (".TOFAMILY", "Back to the family: CL-1001"),
        ]
        for code, said in steps:
            scanner.scan(code, 10, "Enter")
            expect(words(page)).to_have_text(said)
        order = WorkOrder.objects.get(instrument=unit)
        assert (order.state, order.outcome) == ("done", "repaired")
        assert [line.minutes for line in order.lines.all()] == [15]
        assert queries.get_whereabouts(unit).place == "family"

    def test_scans_made_faster_than_the_answers_are_done_in_their_order(self, office, page):
        LocationFactory()
        units = [InstrumentFactory(asset_tag=f"FL-{1001 + place}") for place in range(6)]
        page.goto(f"{office.url}/bench/cards/")
        scanner = Scanner(page)
        for code in (".TAKEIN", *(unit.asset_tag for unit in units), ".LAYDOWN"):
            scanner.scan(code, 5, "Enter")
        expect(words(page)).to_have_text("Nothing in hand")
        assert WorkOrder.objects.filter(closed_at=None, state="look").count() == 6

    def test_the_buttons_do_the_same_and_are_big_enough_for_gloves(self, office, page):
        LocationFactory()
        InstrumentFactory(asset_tag="FL-1001")
        page.goto(f"{office.url}/bench/cards/")
        page.fill("#code", "fl-1001")
        page.press("#code", "Enter")
        page.get_by_role("button", name="Take in", exact=True).click()
        expect(words(page)).to_have_text("In the shop: FL-1001")
        heights = page.eval_on_selector_all(".desk-group button, .desk .button", "all => all.map(each => each.offsetHeight)")
        assert min(heights) >= 56
        assert list_violations(page) == []

    def test_works_without_the_script(self, office, browser, page):
        LocationFactory()
        InstrumentFactory(asset_tag="FL-1001")
        plain = browser.new_context(java_script_enabled=False)
        plain.add_cookies(page.context.cookies())
        other = plain.new_page()
        other.goto(f"{office.url}/bench/cards/")
        other.fill("#code", "FL-1001")
        other.press("#code", "Enter")
        other.get_by_role("button", name="Take in", exact=True).click()
        other.get_by_text("In the shop: FL-1001").first.wait_for()
        plain.close()


class TestBoard:
    def test_tag_age_and_head_are_read_at_two_metres(self, office, page):
        # Snellen: a letter of the 20/20 line is 5 minutes of arc high, one of the 20/40 line 10. CSS: a px is 1/96 inch.
        needed = 2000 * math.tan(math.radians(10 / 60)) / (25.4 / 96)
        WorkOrderFactory()
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(f"{office.url}/bench/queue/")
        for name in (".board-tag", ".board-age .status", ".board-head"):
            capitals = page.locator(name).first.evaluate(
                """each => {
                    const style = getComputedStyle(each);
                    const pen = document.createElement("canvas").getContext("2d");
                    pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
                    return pen.measureText("H").actualBoundingBoxAscent;
                }"""
            )
            assert capitals >= needed - 0.5, f"{name}: {capitals} px high, {needed:.1f} needed"
        assert page.evaluate("document.querySelector('.board').scrollWidth <= document.querySelector('.board').clientWidth")

    def test_looks_again_without_losing_the_place(self, office, page, technician):
        orders = [WorkOrderFactory() for _ in range(12)]
        page.goto(f"{office.url}/bench/queue/")
        link = page.locator(f"#order-{orders[8].pk}")
        link.focus()
        page.evaluate("scrollBy(0, 200)")
        before = page.evaluate("scrollY")
        operations.decide_payer(order=orders[0], paid_by="shop", acting_user=technician, now=clock.now())
        operations.change_state(order=orders[0], to="bench", acting_user=technician, now=clock.now())
        page.evaluate(
            "htmx.ajax('GET', document.querySelector('#board').getAttribute('hx-get'), {target: '#board', swap: 'innerHTML'})"
        )
        expect(page.locator("[aria-labelledby=column-bench] .board-card")).to_have_count(1)
        assert page.evaluate("document.activeElement.id") == f"order-{orders[8].pk}"
        assert abs(page.evaluate("scrollY") - before) < 400
        assert page.locator("#board").get_attribute("hx-trigger") == "every 20s"

    def test_is_a_list_on_a_telephone(self, office, page):
        WorkOrderFactory()
        page.set_viewport_size({"width": 390, "height": 800})
        page.goto(f"{office.url}/bench/queue/")
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        assert list_violations(page) == []

"""A whole repair with a loaner, on screen against the office's own processes: from the scan to the family's account."""

import datetime
import io
import re

import pytest
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Page, expect

from rentals.inventory import queries, work_queries
from rentals.inventory.models import BenchRate, WorkOrder
from rentals.runtime.money import money
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, RepairPartFactory
from tests.inventory.picture_files import picture


@pytest.fixture
def agreement(transactional_db):
    """A clarinet rented without protection, a spare on the shelf, the bench's rates, pads in the drawer."""
    LocationFactory()
    household = HouseholdFactory(name="Quillfeather")
    agreement = AgreementFactory(household=household, unit=True, protection=False)
    InstrumentFactory(asset_tag="CL-9001", item=agreement.item)
    RepairPartFactory(sku="pad-17", name="Pad 17 mm", on_hand=10)
    BenchRate.objects.create(
        from_on=datetime.date(2020, 1, 1),
        cost_per_hour=money("36.00"),
        price_per_hour=money("64.00"),
        set_at=timezone.now(),
        set_by=UserFactory(role="manager"),
    )
    return agreement


def signed_in(context, url: str, role: str, name: str) -> Page:
    """A page of a browser of its own in which somebody is signed in."""
    client = Client()
    client.force_login(UserFactory(role=role, name=name))
    context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": url}])
    return context.new_page()


class TestRepairWithLoaner:
    def test_from_the_scan_to_the_account(self, office, browser, context, agreement):
        self.url, self.agreement = office.url, agreement
        self.unit = agreement.units.get(role="rented").instrument
        bench = signed_in(context, office.url, "technician", "Theo")
        counter_context = browser.new_context()
        counter = signed_in(counter_context, office.url, "specialist", "Rosa")
        self.it_is_scanned_in_with_what_was_seen_and_a_loaner_goes_out(bench)
        self.the_technician_finds_that_the_family_pays_and_estimates(bench)
        self.the_specialist_records_the_answer(counter)
        self.it_is_worked_on_and_waits_for_a_part(bench)
        self.it_fails_its_playing_test_once_and_passes(bench)
        self.it_goes_back_and_the_loaner_comes(bench)
        self.the_account_shows_it_to_the_cent(counter)
        self.the_chain_of_custody_is_right()
        counter_context.close()
        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue()), out.getvalue()

    def order_page(self, page: Page) -> None:
        page.goto(f"{self.url}/bench/orders/{WorkOrder.objects.get().pk}/")

    def it_is_scanned_in_with_what_was_seen_and_a_loaner_goes_out(self, page: Page) -> None:
        page.goto(f"{self.url}/bench/")
        expect(page.get_by_label("Asset tag")).to_be_focused()
        page.keyboard.type(self.unit.asset_tag, delay=5)
        page.keyboard.press("Enter")
        form = page.locator("form[action*='take-in']")
        form.get_by_label("What is wrong").fill("It was dropped: low notes do not speak.")
        form.get_by_label("What it needs").select_option(label="Seat or replace one pad")
        form.get_by_label("Shop", exact=True).select_option(index=1)
        form.get_by_label("Loaner that goes out").select_option(value="CL-9001")
        form.get_by_text("Condition and parts").click()
        form.get_by_label("Pads").select_option(label="Broken")
        form.get_by_label("I have looked at every point").check()
        form.get_by_label("Case", exact=True).check()
        form.get_by_label("I have looked for every part").check()
        form.get_by_text("Pictures", exact=True).click()
        form.locator("input[name=camera]").set_input_files({"name": "dent.jpg", "mimeType": "image/jpeg", "buffer": picture()})
        form.get_by_role("button", name="Take in to the shop").click()
        expect(page.get_by_text("CL-9001 is out as a loaner.")).to_be_visible()
        assert "Quillfeather" not in page.content()

    def the_technician_finds_that_the_family_pays_and_estimates(self, page: Page) -> None:
        page.get_by_role("link", name="Open the work order").click()
        expect(page.get_by_text("Broken").first).to_be_visible()
        expect(page.get_by_text("must come back").first).to_be_visible()
        expect(page.get_by_role("button", name="Begin the work")).to_have_count(0)
        page.locator("#payer").get_by_role("radio", name=re.compile("^The family")).check()
        page.get_by_role("button", name="Note who pays").click()
        page.locator("#estimate_what_1").fill("Pads and adjustment")
        page.locator("#estimate_price_1").fill("50.00")
        page.get_by_role("button", name="Make the estimate").click()
        expect(page.get_by_role("heading", name="What the family answered")).to_be_visible()

    def the_specialist_records_the_answer(self, page: Page) -> None:
        self.order_page(page)
        page.get_by_label("Agrees to this estimate").check()
        page.get_by_label("By phone").check()
        page.get_by_label("Who gave it").fill("The mother")
        page.get_by_role("button", name="Record the answer").click()
        expect(page.get_by_text("The family agreed: the work goes on.")).to_be_visible()
        expect(page.get_by_text("The mother")).to_be_visible()

    def it_is_worked_on_and_waits_for_a_part(self, page: Page) -> None:
        self.order_page(page)
        page.get_by_label("Minutes").fill("25")
        page.get_by_role("button", name="Write down the minutes").click()
        page.get_by_label("A word about it").fill("Pads are on their way")
        page.get_by_role("button", name="Wait for parts").click()
        expect(page.get_by_text("Now: waiting for parts.")).to_be_visible()
        page.get_by_role("button", name="The parts are here").click()
        page.get_by_label("Part", exact=True).select_option(value="pad-17")
        page.get_by_label("Pieces").fill("3")
        page.get_by_role("button", name="Take from stock").click()
        expect(page.get_by_text("3 × Pad 17 mm taken from stock.")).to_be_visible()

    def it_fails_its_playing_test_once_and_passes(self, page: Page) -> None:
        for first in ("Not right", "Right"):
            page.get_by_role("button", name="On to the playing test").click()
            points = page.locator("#test .order-points .field")
            for place in range(points.count()):
                points.nth(place).get_by_label(first if place == 0 else "Right", exact=True).check()
            if first == "Not right":
                page.get_by_label("What was not right").fill("The lowest pad still leaks")
            page.get_by_role("button", name="Record the test").click()
        expect(page.get_by_text("It passed: ready.")).to_be_visible()

    def it_goes_back_and_the_loaner_comes(self, page: Page) -> None:
        # 10.50 of parts and 26.67 of labour, 8.25 % on each line: 0.87 and 2.20.
        expect(page.locator("#out")).to_contain_text("$40.24")
        page.get_by_label("What was done").fill("Three pads replaced, adjusted")
        page.get_by_label("Condition it leaves in").select_option(label="Worn")
        expect(page.get_by_label("The loaner CL-9001 has come back")).to_be_checked()
        page.get_by_role("button", name="Back to the family").click()
        expect(page.get_by_text(f"{self.unit.asset_tag} is back with the family.")).to_be_visible()

    def the_account_shows_it_to_the_cent(self, page: Page) -> None:
        page.goto(f"{self.url}/households/{self.agreement.household_id}/")
        expect(page.get_by_text("$40.24").first).to_be_visible()
        order = WorkOrder.objects.get()
        sums = work_queries.sum_lines(order)
        assert (str(sums.cost), str(sums.price), sums.minutes) == ("17.55", "37.17", 25)
        assert [str(line.amount) for line in order.repair_charge.charge.lines.order_by("position")] == [
            "10.50",
            "0.87",
            "26.67",
            "2.20",
        ]

    def the_chain_of_custody_is_right(self) -> None:
        order = WorkOrder.objects.get()
        assert (order.state, order.outcome, order.paid_by, order.photos.count()) == ("done", "repaired", "family", 1)
        assert [here.place for here in queries.list_custodies(self.unit)] == ["family", "bench", "family"]
        spare = queries.get_by_tag("CL-9001")
        assert [here.place for here in queries.list_custodies(spare)] == ["shelf", "family", "shelf"]
        self.unit.refresh_from_db()
        assert self.unit.grade == "worn"
        states = [event.to_state for event in work_queries.list_events(order) if event.to_state][::-1]
        assert states == ["look", "family", "bench", "parts", "bench", "check", "bench", "check", "ready", "done"]

"""A family's money beyond bill and payment, each on its screen: adjusted and approved, written off and paid after all, paid
back, exempt from sales tax, and told in a statement. Against the office's own processes.
"""

import io
import re
import uuid

import pytest
from django.core.management import call_command
from playwright.sync_api import Page, expect

from billing import queries
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementHold
from rentals.counter.life.operations import recall_agreement
from rentals.families.models import Household
from rentals.runtime import clock
from rentals.staff.models import User
from tests.journeys.test_first_day import enter, leave


@pytest.fixture
def shop(office, demo):
    """The running office with a small scenario in its books."""
    demo(households=100)
    return office


def family_of_one_instrument(**owing: bool) -> Household:
    """A family that rents one instrument, is not recalled, and owes or not."""
    held = AgreementHold.objects.values("agreement__household")
    for agreement in Agreement.objects.filter(ended_on=None).exclude(household__in=held).order_by("pk"):
        balance = queries.sum_balance(agreement.household_id)
        if (balance > 0) == owing["owing"] and agreement.household.agreements.count() == 1:
            return agreement.household
    raise AssertionError("no such family in the scenario")


class TestTheAccount:
    def test_is_set_right_by_its_people(self, page: Page, shop):
        url, owing = shop.url, family_of_one_instrument(owing=True)
        rented = owing.agreements.get()
        enter(page, url, "rosa")
        self.an_adjustment_is_asked_for(page, url, owing)
        leave(page)

        enter(page, url, "mina")
        self.the_manager_grants_it(page, owing)
        recall_agreement(
            agreement=rented, reason="Unpaid", sent=Sent(uuid.uuid4()), acting_user=User.objects.get(email="mina@office.example"),
            now=clock.now(), today=clock.today(),
        )  # fmt: skip
        self.the_debt_is_written_off(page, url, rented)
        self.some_of_it_is_paid_after_all(page, url, rented)
        leave(page)

        enter(page, url, "bea")
        paid_up = family_of_one_instrument(owing=False)
        self.money_is_paid_back(page, url, paid_up)
        self.a_certificate_is_written_down(page, url, paid_up)
        self.the_statement_tells_it(page, url, paid_up)
        leave(page)

        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue())

    def an_adjustment_is_asked_for(self, page: Page, url: str, family: Household) -> None:
        page.goto(f"{url}/households/{family.pk}/")
        page.get_by_role("link", name="Adjust what is owed").click()
        page.get_by_label("The family owes more").check()
        page.get_by_label("Amount").fill("120.00")
        page.get_by_label("Reason").fill("The case did not come back")
        page.get_by_role("button", name="Adjust the account").click()
        expect(
            page.get_by_text("waits for a manager’s approval").or_(page.get_by_text("waits for a manager's approval"))
        ).to_be_visible()
        expect(page.get_by_text("$120.00 more waits for approval:")).to_be_visible()

    def the_manager_grants_it(self, page: Page, family: Household) -> None:
        page.get_by_role("link", name=re.compile("Waiting for approval")).click()
        page.locator("tr", has_text="The case did not come back").get_by_role("link").first.click()
        page.get_by_label("Grant it: it is posted today").check()
        page.get_by_role("button", name="Decide").click()
        expect(page.get_by_text("granted and posted")).to_be_visible()

    def the_debt_is_written_off(self, page: Page, url: str, rented: Agreement) -> None:
        page.goto(f"{url}/agreements/{rented.pk}/")
        page.get_by_role("link", name="Write off", exact=True).click()
        page.get_by_label("Reason").fill("Moved away without an address")
        page.get_by_role("button", name=re.compile("^Write off")).click()
        expect(page.get_by_role("heading", name=re.compile("^C-"))).to_be_visible()
        page.goto(f"{url}/agreements/{rented.pk}/")
        expect(page.get_by_text("Written off").first).to_be_visible()

    def some_of_it_is_paid_after_all(self, page: Page, url: str, rented: Agreement) -> None:
        page.get_by_role("link", name="Take a payment after the write-off").click()
        page.get_by_label("Amount").fill("15.00")
        page.get_by_label("Cash").check()
        page.get_by_role("button", name="Take the payment").click()
        expect(page.get_by_text("$15.00 taken for what was written off.")).to_be_visible()
        page.goto(f"{url}/agreements/{rented.pk}/")
        expect(page.get_by_text("Recovered after a write-off")).to_be_visible()

    def money_is_paid_back(self, page: Page, url: str, family: Household) -> None:
        page.goto(f"{url}/households/{family.pk}/payment/")
        page.get_by_label("Amount").fill("30.00")
        page.get_by_label("Cash").check()
        page.get_by_role("button", name="Take the payment").click()
        page.goto(f"{url}/households/{family.pk}/")
        page.get_by_role("link", name="Pay money back").click()
        page.get_by_label("Amount").fill("30.00")
        page.get_by_label("Check", exact=True).check()
        page.get_by_label("Check number").fill("7001")
        page.get_by_label("Reason").fill("Paid twice")
        page.get_by_role("button", name="Pay it back").click()
        expect(page.get_by_text("$30.00 is paid back.")).to_be_visible()

    def a_certificate_is_written_down(self, page: Page, url: str, family: Household) -> None:
        page.goto(f"{url}/households/{family.pk}/tax-exemptions/")
        page.get_by_label("Certificate number").fill("MN-4711")
        page.get_by_label("Last day").fill(clock.today().replace(year=clock.today().year + 1, day=1).isoformat())
        page.get_by_role("button", name="Write it down").click()
        expect(page.get_by_role("rowheader", name="MN-4711")).to_be_visible()

    def the_statement_tells_it(self, page: Page, url: str, family: Household) -> None:
        page.goto(f"{url}/households/{family.pk}/")
        page.get_by_role("link", name="Statement").first.click()
        expect(page.get_by_text("Paid back: Paid twice")).to_be_visible()
        page.get_by_role("button", name="Make a PDF").click()
        expect(page.get_by_role("link", name=re.compile("Open|print", re.IGNORECASE)).first).to_be_visible(timeout=60_000)

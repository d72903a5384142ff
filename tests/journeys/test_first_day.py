"""One day at the office, against its own processes: web, worker, beat, PostgreSQL and Valkey. Every step is done on a screen.

Only the scenario behind the day (an invented shop with its families) is loaded beforehand; what happens then, people do in the
browser, and what jobs do is done by the running worker.
"""

import datetime
import io
import re
import time
from pathlib import Path

import pytest
from django.core.management import call_command
from playwright.sync_api import Page, expect

from rentals.counter.demo.bank import ACCOUNT, BANK_ID
from rentals.counter.demo.shop import PASSWORD
from rentals.runtime import clock

FLEET = """Asset tag,Serial,Kind,Maker,Model,Tier,Condition,Location,Cost,Acquired,Purchase price,Replacement value
J90001,JX-1,Clarinet,Gravenor,C5,Beginner,New,Foundry Street store,310.00,2026-03-02,640.00,560.00
J90002,JX-2,Clarinet,Gravenor,C5,Beginner,New,Foundry Street store,310.00,2026-03-02,640.00,560.00
"""


@pytest.fixture
def shop(office, demo):
    """The running office with a small scenario in its books."""
    demo(households=100)
    return office


def enter(page: Page, url: str, person: str) -> None:
    """Sign in as one of the office's people."""
    page.goto(f"{url}/sign-in/")
    page.get_by_label("E-mail").fill(f"{person}@office.example")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Today")).to_be_visible()


def leave(page: Page) -> None:
    """Sign out by the menu."""
    page.locator("summary", has_text=re.compile("specialist|Bookkeeper|technician|Manager|Administrator")).click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()


def panel(page: Page):
    """Wait until the sign-up sheet has been brought up to date."""
    return page.expect_response(lambda answer: answer.url.endswith("/panel/"))


def seen_after_a_while(page: Page, address: str, *, who: str = "", seconds: int = 60) -> None:
    """Look at a list again and again until a row (of somebody) stands in it: a job has done its part."""
    until = time.monotonic() + seconds
    while True:
        page.goto(address)
        if page.locator("tbody tr", has_text=who).count():
            return
        assert time.monotonic() < until, f"nothing at {address}"
        page.wait_for_timeout(1000)


class TestTheFirstDay:
    def test_eight_pieces_of_work_by_their_people(self, page: Page, shop, tmp_path: Path):
        url = shop.url
        enter(page, url, "rosa")
        tag, number = self.sign_a_family_up(page, url)
        self.the_agreement_is_made_and_mailed(page, url)
        self.a_payment_is_taken(page, number)
        leave(page)

        enter(page, url, "bea")
        self.the_month_is_billed(page, url)
        self.overdue_families_are_written_to(page, url)
        self.the_bank_file_is_matched(page, url, tmp_path)
        leave(page)

        enter(page, url, "theo")
        self.the_instrument_comes_in_and_goes_back(page, url, tag)
        self.the_fleet_comes_in_from_a_spreadsheet(page, url, tmp_path)
        leave(page)

        enter(page, url, "mina")
        self.families_are_reminded_of_cleanings(page, url)
        leave(page)

        enter(page, url, "ada")
        page.goto(f"{url}/people/")
        expect(page.get_by_text("Theo Okafor")).to_be_visible()
        leave(page)

        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue())

    def sign_a_family_up(self, page: Page, url: str) -> tuple[str, str]:
        page.goto(f"{url}/signup/new/")
        for label, words in {
            "First name": "Marisol", "Last name": "Ravenel", "Telephone": "(312) 555-0166", "E-mail": "m.ravenel@example.com",
            "Street and number": "47 Osprey Rd", "City": "Tamarack Falls", "State": "MN", "ZIP code": "55201",
        }.items():  # fmt: skip
            page.get_by_label(label, exact=False).first.fill(words)
        page.get_by_role("button", name="Go on to the student").click()
        page.wait_for_url("**/signup/*-*/")
        page.locator("#id_given_name").fill("Luz")
        page.locator("#id_family_name").fill("Ravenel")
        page.locator("#id_programme").select_option(label="Alder Grove Elementary Orchestra")
        with panel(page):
            page.locator("#id_kind").select_option(label="Violin")
        page.locator("#id_arm").fill("21")
        with panel(page):
            page.keyboard.press("Tab")
        expect(page.locator("#id_size")).to_have_value("1/2")
        expect(page.get_by_label("Rosin", exact=False).first).to_be_checked()
        with panel(page):
            page.get_by_label("Month to month").check()
        with panel(page):
            page.get_by_label("With protection").check()
        shown = page.get_by_text(re.compile(r"T0\d{4}")).first
        tag = re.search(r"T0\d{4}", shown.inner_text()).group(0)
        page.locator("#id_tag").fill(tag.lower())
        with panel(page):
            page.keyboard.press("Tab")
        expect(page.get_by_text("on the shelf at")).to_be_visible()
        page.get_by_role("button", name="Review and sign").click()
        page.wait_for_url("**/review/")
        page.get_by_label("The guardian has read this and agrees.").check()
        page.locator("#id_signer_name").fill("Marisol Ravenel")
        page.get_by_label("Check", exact=True).check()
        page.get_by_label("Check number").fill("2041")
        page.get_by_role("button", name="Sign and take the payment").click()
        page.wait_for_url("**/done/")
        number = page.get_by_role("link", name=re.compile("^A-")).inner_text()
        return tag, number

    def the_agreement_is_made_and_mailed(self, page: Page, url: str) -> None:
        expect(page.get_by_text("The signed agreement is archived.")).to_be_visible(timeout=60_000)
        address = page.get_by_role("link", name="Open to print").get_attribute("href")
        answer = page.request.get(f"{url}{address}")
        assert answer.status == 200
        assert answer.body().startswith(b"%PDF-")
        here = page.url
        seen_after_a_while(page, f"{url}/outbox/?kind=agreement&state=sent", who="Ravenel")
        page.goto(here)

    def a_payment_is_taken(self, page: Page, number: str) -> None:
        page.get_by_role("link", name=number).click()
        page.get_by_role("link", name=re.compile("Ravenel")).first.click()
        expect(page.get_by_text("Nothing owed")).to_be_visible()
        page.get_by_role("link", name="Take a payment").click()
        page.get_by_label("Amount").fill("$20.00")
        page.get_by_label("Cash").check()
        page.get_by_role("button", name="Take the payment").click()
        expect(page.get_by_text(re.compile(r"\$20\.00")).first).to_be_visible()

    def the_month_is_billed(self, page: Page, url: str) -> None:
        page.goto(f"{url}/books/billing/")
        following = clock.today() + datetime.timedelta(days=31)
        page.locator("#id_through_on").fill(following.isoformat())
        page.get_by_role("button", name="See what would be billed").click()
        page.get_by_role("button", name="Bill now").click()
        expect(page.get_by_text("Finished. Everything due through this day is billed.")).to_be_visible(timeout=60_000)
        page.goto(f"{url}/search/?q=Ravenel")
        page.get_by_role("link", name=re.compile("Ravenel")).first.click()
        expect(page.get_by_text("Rent").first).to_be_visible()

    def overdue_families_are_written_to(self, page: Page, url: str) -> None:
        page.goto(f"{url}/books/overdue/notices/")
        page.get_by_role("button", name=re.compile("^Send th")).click()
        seen_after_a_while(page, f"{url}/outbox/?kind=overdue&state=sent")

    def the_bank_file_is_matched(self, page: Page, url: str, folder: Path) -> None:
        page.goto(f"{url}/books/deposits/")
        for box in page.locator("input[name=payments]").all():
            box.check()
        page.get_by_role("button", name="Deposit what is ticked").click()
        total = page.locator("dl.facts div", has_text="Total").locator("dd").inner_text()
        amount = re.search(r"[\d,]+\.\d\d", total).group(0)
        file = folder / "statement.ofx"
        file.write_text(ofx(amount.replace(",", "")), encoding="ascii")
        page.goto(f"{url}/bank/files/")
        page.locator("input[type=file]").set_input_files(str(file))
        page.get_by_role("button", name="Look at the file").click()
        page.get_by_role("button", name="Take it in").click()
        expect(page.locator("tbody tr", has_text="MONTHLY FEE")).to_be_visible()
        expect(page.locator("tbody tr", has_text="DEPOSIT")).to_have_count(0)
        page.goto(f"{url}/bank/?state=by-itself")
        expect(page.locator("tbody tr", has_text="DEPOSIT").filter(has_text=amount)).to_be_visible()
        page.goto(f"{url}/bank/")
        page.locator("tr", has_text="MONTHLY FEE").get_by_role("button", name=re.compile("^Bank fee")).first.click()
        # On its line, or above what is left where the page came anew.
        expect(page.get_by_role("button", name=re.compile("^Undo")).first).to_be_visible()

    def the_instrument_comes_in_and_goes_back(self, page: Page, url: str, tag: str) -> None:
        page.goto(f"{url}/bench/")
        expect(page.get_by_label("Asset tag")).to_be_focused()
        page.keyboard.type(tag, delay=5)
        page.keyboard.press("Enter")
        expect(page.get_by_role("button", name="Take in to the shop")).to_be_visible()
        page.get_by_label("Shop").first.select_option(label="Cold Harrow workshop")
        page.get_by_label("What is wrong").fill("The bridge has fallen.")
        page.get_by_role("button", name="Take in to the shop").click()
        page.goto(f"{url}/bench/?tag={tag}")
        page.get_by_label("What was done").fill("Set the bridge up again.")
        page.get_by_role("button", name="Back to the family").click()
        page.goto(f"{url}/instruments/?text={tag}")
        page.get_by_role("link", name=tag).first.click()
        expect(page.get_by_text("The bridge has fallen.").first).to_be_visible()
        expect(page.get_by_text("With a family").first).to_be_visible()

    def the_fleet_comes_in_from_a_spreadsheet(self, page: Page, url: str, folder: Path) -> None:
        file = folder / "fleet.csv"
        file.write_text(FLEET, encoding="utf-8")
        page.goto(f"{url}/instruments/import/")
        page.locator("input[type=file]").set_input_files(str(file))
        page.get_by_role("button", name="Read the file").click()
        page.get_by_role("button", name="Check the rows").click()
        page.get_by_role("button", name=re.compile("^Take in all")).click()
        page.goto(f"{url}/instruments/?text=J90002")
        expect(page.get_by_role("link", name="J90002").first).to_be_visible()

    def families_are_reminded_of_cleanings(self, page: Page, url: str) -> None:
        page.goto(f"{url}/cleanings/reminders/")
        page.get_by_role("button", name=re.compile("^Send th")).click()
        seen_after_a_while(page, f"{url}/outbox/?kind=cleaning&state=sent")


def ofx(deposit: str) -> str:
    """A bank's file (OFX 1.0.2, unclosed tags as the standard allows) with today's deposit and a fee."""
    day = f"{clock.today():%Y%m%d}"
    return f"""OFXHEADER:100
DATA:OFXSGML
VERSION:102
SECURITY:NONE
ENCODING:USASCII
CHARSET:1252
COMPRESSION:NONE
OLDFILEUID:NONE
NEWFILEUID:NONE

<OFX><SIGNONMSGSRSV1><SONRS><STATUS><CODE>0<SEVERITY>INFO</STATUS><DTSERVER>{day}060000<LANGUAGE>ENG</SONRS></SIGNONMSGSRSV1>
<BANKMSGSRSV1><STMTTRNRS><TRNUID>1<STATUS><CODE>0<SEVERITY>INFO</STATUS><STMTRS><CURDEF>USD
<BANKACCTFROM><BANKID>{BANK_ID}<ACCTID>{ACCOUNT}<ACCTTYPE>CHECKING</BANKACCTFROM>
<BANKTRANLIST><DTSTART>{day}<DTEND>{day}
<STMTTRN><TRNTYPE>DEP<DTPOSTED>{day}120000<TRNAMT>{deposit}<FITID>J1<NAME>DEPOSIT</STMTTRN>
<STMTTRN><TRNTYPE>SRVCHG<DTPOSTED>{day}120000<TRNAMT>-8.00<FITID>J2<NAME>MONTHLY FEE</STMTTRN>
</BANKTRANLIST><LEDGERBAL><BALAMT>5000.00<DTASOF>{day}</LEDGERBAL></STMTRS></STMTTRNRS></BANKMSGSRSV1></OFX>
"""

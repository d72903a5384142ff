"""A bookkeeper closes last month without a mouse: a deposit, the statement, its lines, the bank, depreciation, the checklist,
the lock, the journal for the accountant. Against the office's own processes; the referee of the journal is hledger.
"""

import csv
import datetime
import io
import re
import subprocess
from decimal import Decimal

import pytest
from django.core.management import call_command
from django.urls import reverse
from playwright.sync_api import Page, expect

from billing import export, ledger, months, verify
from billing.closing import checklist
from billing.closing.reports.balances import list_balances
from billing.closing.span import Month, month_of
from billing.models import Account, BankStatement, ClosingPackage, Payment
from rentals.counter.demo.bank import ACCOUNT, BANK_ID, Told, write_ofx
from rentals.documents.models import Document
from rentals.families.models import Household
from rentals.runtime import clock
from tests.journeys.test_first_day import PASSWORD

D = Decimal
PAID, FEE = D("41.50"), D("-12.00")


@pytest.fixture
def shop(office):
    """The running office with a small scenario in its books, last month still to be closed."""
    call_command("load_demo", households=60, stdout=io.StringIO())
    return office


@pytest.fixture
def month(shop) -> Month:
    last = month_of(clock.today().replace(day=1) - datetime.timedelta(days=1))
    assert months.next_to_close() == last.first_day
    return last


def reach(page: Page, css: str, words: str = "") -> None:
    """Go on with the Tab key until something like this, with these words on it, has the focus."""
    here = "([css, words]) => { const at = document.activeElement; return at.matches(css) && at.innerText.includes(words); }"
    for _ in range(250):
        if page.evaluate(here, [css, words]):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no key leads to {css} {words} on {page.url}")


def write(page: Page, css: str, text: str) -> None:
    """Go to a field and write over what stands in it."""
    reach(page, css)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def press(page: Page, words: str) -> None:
    """Go to a button and press it."""
    reach(page, "button, a", words)
    page.keyboard.press("Enter")


def usual(day: datetime.date) -> str:
    return f"{day:%m/%d/%Y}"


@pytest.mark.hledger
class TestTheMonth:
    def test_is_closed_by_keyboard(self, page: Page, shop, month, tmp_path):
        self.url, self.month = shop.url, month
        self.sign_in(page)
        number = self.a_check_of_the_month_is_found_and_taken(page)
        self.it_is_deposited(page, number)
        self.the_statement_comes_in(page, tmp_path)
        self.every_line_is_matched(page)
        self.the_bank_is_reconciled(page)
        self.the_fleet_is_depreciated(page)
        self.what_is_left_is_let_pass_with_a_reason(page)
        self.the_month_is_closed_and_everything_kept(page)
        self.nothing_more_goes_into_it(page)
        self.the_journal_goes_to_the_accountant(page, tmp_path)
        assert [found for _, found in verify.run_checks() if found] == []

    def go(self, page: Page, name: str, *args: object, query: str = "") -> None:
        """Write an address."""
        page.goto(self.url + reverse(name, args=args) + query)

    def sign_in(self, page: Page) -> None:
        page.goto(f"{self.url}/sign-in/")
        write(page, "input[name=login]", "bea@office.example")
        write(page, "input[name=password]", PASSWORD)
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Today")).to_be_visible()

    def a_check_of_the_month_is_found_and_taken(self, page: Page) -> str:
        household = Household.objects.order_by("pk")[0]
        self.go(page, "payment_take", household.pk)
        write(page, "#id_amount", str(PAID))
        reach(page, "[name=method]")
        page.keyboard.press("ArrowDown")
        expect(page.locator("[name=method][value=cheque]")).to_be_checked()
        write(page, "#id_cheque_number", "3301")
        write(page, "#id_received_on", usual(self.month.last_day - datetime.timedelta(days=2)))
        page.keyboard.press("Enter")
        expect(page.get_by_text("$41.50").first).to_be_visible()
        return str(Payment.objects.get(cheque_number="3301").number)

    def it_is_deposited(self, page: Page, number: str) -> None:
        self.go(page, "deposits")
        ticked = [box.get_attribute("aria-label") for box in page.locator("[name=payments]:checked").all()]
        for label in ticked:
            if label != f"Deposit {number}":
                reach(page, f"[aria-label='{label}']")
                page.keyboard.press("Space")
        reach(page, f"[aria-label='Deposit {number}']")
        if not page.evaluate("document.activeElement.checked"):
            page.keyboard.press("Space")
        write(page, "#id_deposited_on", usual(self.month.last_day - datetime.timedelta(days=1)))
        page.keyboard.press("Enter")
        expect(page.get_by_text(number).first).to_be_visible()

    def the_statement_comes_in(self, page: Page, tmp_path) -> None:
        on, before = self.month.last_day, BankStatement.objects.latest("balance_on").closing_balance
        assert before is not None
        told = [Told(on, PAID, "BRANCH DEPOSIT"), Told(on, FEE, "SERVICE CHARGE", "SRVCHG")]
        file = tmp_path / "last-days.ofx"
        file.write_bytes(write_ofx(told, account=ACCOUNT, bank_id=BANK_ID, begins_on=on, ends_on=on, balance=before + PAID + FEE))
        self.go(page, "bank_files")
        reach(page, "input[type=file]")
        with page.expect_file_chooser() as chooser:
            page.keyboard.press("Enter")
        chooser.value.set_files(file)
        press(page, "Look at the file")
        expect(page.get_by_text("Nothing is taken in yet.")).to_be_visible()
        press(page, "Take it in")
        page.wait_for_url("**/bank/")

    def every_line_is_matched(self, page: Page) -> None:
        """The deposit was matched by itself when the file came in; the fee is left to a person."""
        self.go(page, "bank")
        expect(page.locator("[data-grid] tbody tr")).to_have_count(1)
        reach(page, "[data-grid] tbody tr")
        page.keyboard.press("Enter")
        expect(page.locator("tr[data-acted=done]")).to_have_count(1)
        assert self.state("lines") == "holds"

    def the_bank_is_reconciled(self, page: Page) -> None:
        self.go(page, "bank_reconcile", query=f"?month={self.month.code}")
        expect(page.get_by_text("They agree").or_(page.get_by_text("Explained to the cent"))).to_be_visible()
        press(page, "Keep this for")
        expect(page.get_by_text("it is kept")).to_be_visible()
        assert self.state("reconciled") == "holds"

    def the_fleet_is_depreciated(self, page: Page) -> None:
        self.go(page, "fleet_depreciate")
        press(page, "Depreciate")
        expect(page.get_by_role("heading", name="Fleet in the books")).to_be_visible()
        assert self.state("depreciated") == "holds"

    def what_is_left_is_let_pass_with_a_reason(self, page: Page) -> None:
        """Only what the scenario leaves for the next month on purpose; what was worked on above has to hold."""
        assert {self.state(code) for code in ("over", "billed", "clearing", "books")} == {"holds"}
        self.go(page, "months")
        for line in checklist.list_lines(self.month, today=clock.today()):
            if line.state == "open":
                reach(page, "summary", "Let it pass")
                page.keyboard.press("Enter")
                write(page, f"#why-{line.check.code}", "Comes next month")
                page.keyboard.press("Enter")
                expect(page.get_by_text("Bea Lindqvist: Comes next month").first).to_be_visible()

    def the_month_is_closed_and_everything_kept(self, page: Page) -> None:
        self.go(page, "months")
        press(page, f"Close {self.month}")
        expect(page.get_by_text(f"{self.month} is closed.")).to_be_visible()
        assert ledger.open_from() == self.month.ends_before
        package = ClosingPackage.objects.get(first_day=self.month.first_day)
        for _ in range(60):
            if Document.objects.get(pk=package.document_id).state == Document.State.MADE:
                break
            page.wait_for_timeout(1000)
        page.reload()
        sums = page.locator("main").inner_text()
        assert Document.objects.get(pk=package.document_id).sha256 in sums
        assert all(file.sha256 in sums for file in package.files.all())

    def nothing_more_goes_into_it(self, page: Page) -> None:
        self.go(page, "payment_take", Household.objects.order_by("pk")[0].pk)
        write(page, "#id_amount", "5.00")
        reach(page, "[name=method]")
        page.keyboard.press("Space")
        write(page, "#id_received_on", usual(self.month.last_day))
        page.keyboard.press("Enter")
        expect(page.get_by_text(re.compile("The books are closed before")).first).to_be_visible()

    def the_journal_goes_to_the_accountant(self, page: Page, tmp_path) -> None:
        self.go(page, "journal_files", query=f"?from={self.month.first_day}&through={self.month.last_day}")
        reach(page, "#f-format")
        page.keyboard.type("hledger")
        reach(page, "#f-opening")
        page.keyboard.press("ArrowDown")
        with page.expect_download() as download:
            press(page, "Download")
        file = tmp_path / "accountant.journal"
        download.value.save_as(file)
        checked = subprocess.run(["hledger", "-f", file, "check", "-s"], capture_output=True, text=True, check=False)
        assert (checked.returncode, checked.stderr) == (0, "")
        words = ["balance", "--flat", "--no-total", "--output-format", "csv"]
        told = subprocess.run(["hledger", "-f", file, *words], capture_output=True, text=True, check=True).stdout
        codes = {export.account_name(account): account.code for account in Account.objects.all()}
        theirs = {codes[name]: D(amount.split()[0]) for name, amount in list(csv.reader(io.StringIO(told)))[1:]}
        ours = {code: balance for code, balance in list_balances(self.month.last_day).items() if balance}
        assert {code: balance for code, balance in theirs.items() if balance} == ours

    def state(self, code: str) -> str:
        """How a line of the checklist stands now."""
        lines = checklist.list_lines(self.month, today=clock.today())
        return next(line.state for line in lines if line.check.code == code)

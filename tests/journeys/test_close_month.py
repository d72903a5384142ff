"""A month at the bookkeeper's desk without a mouse: bills, the file of debits and what comes back of it, a deposit, the bank's
statement, every line matched, the bank reconciled, the month closed, and the journal before both referees, Beancount and hledger.

Against the office's own processes, on days of the month that was over last.
"""

import csv
import datetime
import io
import os
import re
import subprocess
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from beancount import loader
from beancount.core import realization
from django.core.management import call_command
from django.urls import reverse
from playwright.sync_api import FileChooser, Page, expect

from billing import aging, export, ledger, months, queries, verify
from billing.autopay import noticing, rules
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.banking.queries import list_lines
from billing.closing import checklist, operations
from billing.closing.reports.balances import list_balances
from billing.closing.span import Month, month_of
from billing.models import (
    Account,
    AutopayReturn,
    AutopayRun,
    AutopaySetup,
    BankLine,
    BankStatement,
    BillingRun,
    ClosingPackage,
    MatchingRun,
    Payment,
)
from rentals.counter.demo.autopay import write_returns
from rentals.counter.demo.bank import ACCOUNT, BANK_ID, Told, write_ofx
from rentals.counter.demo.shop import PASSWORD
from rentals.documents.models import Document
from rentals.families.models import Household
from rentals.runtime import clock, processes
from rentals.runtime.supervisor import Program
from rentals.staff.models import User
from tests.browser import processes_running
from tests.journeys import other_days
from tests.journeys.other_days import Calendar

D = Decimal
PAID, FEE = D("41.50"), D("-12.00")
DAY = datetime.timedelta(days=1)


@pytest.fixture
def calendar(tmp_path, monkeypatch) -> Calendar:
    """What day it is, for the office's processes and for this test."""
    kept = Calendar(tmp_path / "clock")
    eighth = month_of(clock.today()).day_before.replace(day=8)
    kept.go_to(eighth)
    monkeypatch.setattr(clock, "now", kept.now)
    monkeypatch.setattr(clock, "today", kept.today)
    return kept


@pytest.fixture
def desk(transactional_db, calendar) -> Iterator[str]:
    """The office's processes on those days, with a small scenario in their books: the address of its web server."""

    def programs(bind: str) -> list[Program]:
        here = {"rentals.wsgi:application": f"{other_days.__name__}:application", "rentals.celery": other_days.__name__}
        given = [processes.web(bind, workers=1), processes.worker(processes=1)]
        return [Program(each.name, [here.get(word, word) for word in each.command]) for each in given]

    call_command("load_demo", households=60, stdout=io.StringIO())
    queue = re.sub(r"0$", "5", os.environ["REDIS_URL"])
    with processes_running(programs, **{other_days.FILE: str(calendar.file), "REDIS_URL": queue}) as office:
        yield office.url


@pytest.fixture
def month(desk, calendar) -> Month:
    """The month on the desk: the one before it is closed, and no file of debits above $50 leaves without a second person."""
    bea, this = User.objects.get(email="bea@office.example"), month_of(clock.today())
    before = month_of(this.day_before)
    for line in checklist.list_lines(before, today=clock.today()):
        if not line.is_settled:
            operations.waive(month=before, code=line.check.code, reason="Comes next month", acting_user=bea, now=clock.now())
    operations.close_month(month=before, acting_user=bea, now=clock.now(), today=clock.today())
    assert months.next_to_close() == this.first_day
    AutopaySetup.objects.update(approval_limit=D(50))
    return this


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


def save(page: Page, words: str, file: Path) -> bytes:
    """Press what gives a file, and keep it."""
    with page.expect_download() as download:
        press(page, words)
    download.value.save_as(file)
    return file.read_bytes()


def choose(page: Page, file: Path) -> None:
    """Go to the field for a file and choose this one; pressed again where a busy browser opened nothing."""
    opened: list[FileChooser] = []

    def keep(chooser: FileChooser) -> None:  # the browser's library marks what it calls, which a list's own method does not bear
        opened.append(chooser)

    page.once("filechooser", keep)
    reach(page, "input[type=file]")
    for _ in range(3):
        page.keyboard.press("Enter")
        for _ in range(20):
            if opened:
                opened[0].set_files(file)
                return
            page.wait_for_timeout(100)
    raise AssertionError(f"no key opens the choice of a file on {page.url}")


def until(page: Page, holds) -> None:
    """Wait for a job of the worker's."""
    for _ in range(120):
        if holds():
            return
        page.wait_for_timeout(500)
    raise AssertionError("the worker has not done it within a minute")


def usual(day: datetime.date) -> str:
    return f"{day:%m/%d/%Y}"


def as_the_bank_tells(item: Outstanding, *, since: datetime.date) -> Told:
    """The bank's line for what the books know: batches and payouts by their name, transfers by the family's."""
    names = {"debits": "ACH SETTLEMENT", "cards": "CARD PAYOUT", "counter": "BRANCH DEPOSIT", "return": "RETURNED ITEM"}
    name = names.get(item.deposit_kind or item.kind, "TRANSFER")
    kind, memo = "DEBIT" if item.amount < 0 else "CREDIT", item.household_number or item.number
    return Told(max(item.on, since), item.amount, name, kind, memo)


@pytest.mark.hledger
class TestTheMonth:
    def test_is_closed_by_keyboard(self, page: Page, desk, calendar, month, tmp_path):
        self.url, self.month, self.calendar, self.folder = desk, month, calendar, tmp_path
        debit_on = noticing.debit_day(clock.today())

        self.on_a_day(page, rules.banking_day_before(debit_on))
        self.what_is_due_is_billed(page, through=debit_on)
        run = self.the_run_of_debits_is_prepared(page, debit_on)
        self.a_second_person_approves_it(page, run)
        self.it_leaves_once_and_its_file_goes_to_the_bank(page, run)

        self.on_a_day(page, rules.banking_day_after(debit_on, 2))
        self.what_came_back_is_taken_in(page, run)
        number = self.a_check_is_taken(page)
        self.it_is_deposited(page, number)

        self.on_a_day(page, month.ends_before + 2 * DAY)
        self.what_is_due_is_billed(page, through=month.last_day)
        self.the_statement_comes_in(page, run)
        self.every_line_is_matched(page, run)
        self.the_bank_is_reconciled(page)
        self.the_fleet_is_depreciated(page)
        self.what_is_left_is_let_pass_with_a_reason(page)
        self.the_month_is_closed_and_everything_kept(page)
        self.nothing_more_goes_into_it(page)
        self.both_referees_have_our_balances(page)
        assert [found for _, found in verify.run_checks() if found] == []

    def go(self, page: Page, name: str, *args: object, query: str = "") -> None:
        """Write an address."""
        page.goto(self.url + reverse(name, args=args) + query)

    def on_a_day(self, page: Page, day: datetime.date) -> None:
        """Another day begins; the bookkeeper comes in."""
        self.calendar.go_to(day)
        self.sign_in(page, "bea")

    def sign_in(self, page: Page, person: str) -> None:
        page.context.clear_cookies()
        page.goto(f"{self.url}/sign-in/")
        write(page, "input[name=login]", f"{person}@office.example")
        write(page, "input[name=password]", PASSWORD)
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Today")).to_be_visible()

    def what_is_due_is_billed(self, page: Page, *, through: datetime.date) -> None:
        before = BillingRun.objects.count()
        self.go(page, "billing_runs")
        write(page, "#id_through_on", usual(through))
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="What would be billed")).to_be_visible()
        press(page, "Bill now")
        until(page, lambda: BillingRun.objects.count() > before and BillingRun.objects.latest("pk").state == "done")

    def the_run_of_debits_is_prepared(self, page: Page, debit_on: datetime.date) -> AutopayRun:
        self.go(page, "autopay", query=f"?on={debit_on}")
        press(page, "Prepare the run")
        expect(page.get_by_text("Nothing has left yet.")).to_be_visible()
        run = AutopayRun.objects.latest("pk")
        assert (run.effective_on, run.state, run.entry_count >= 2) == (debit_on, "waiting", True)
        expect(page.get_by_text("Another person has to approve it")).to_be_visible()
        assert page.get_by_role("button", name="Let out").count() == 0
        return run

    def a_second_person_approves_it(self, page: Page, run: AutopayRun) -> None:
        self.sign_in(page, "mina")
        self.go(page, "autopay_run", run.pk)
        press(page, "Approve")
        expect(page.get_by_text("is approved. It has not left yet.")).to_be_visible()

    def it_leaves_once_and_its_file_goes_to_the_bank(self, page: Page, run: AutopayRun) -> None:
        self.sign_in(page, "bea")
        self.go(page, "autopay_run", run.pk)
        press(page, "Let out")
        expect(page.get_by_text("is let out: download its file")).to_be_visible()
        run.refresh_from_db()
        content = save(page, "Download the file", self.folder / f"{run.number}.ach")
        assert content == save(page, "Download the file", self.folder / "again.ach")
        debits = [line for line in content.decode().splitlines() if line.startswith("6")]
        assert (len(debits), sum(int(line[29:39]) for line in debits)) == (run.entry_count, run.total * 100)

    def what_came_back_is_taken_in(self, page: Page, run: AutopayRun) -> None:
        """The bank's file says of one debit that there was no money; it is read on screen before anything changes."""
        file = self.folder / "returns.ach"
        file.write_bytes(write_returns(run, clock.today()))
        self.go(page, "autopay_returns")
        choose(page, file)
        press(page, "Look at the file")
        expect(page.get_by_text("Nothing is taken in yet.")).to_be_visible()
        expect(page.locator("tbody").get_by_text("R01")).to_be_visible()
        press(page, "Take it in")
        expect(page.get_by_text("is taken in: 1 debit came back.")).to_be_visible()
        back = AutopayReturn.objects.get(entry__run=run)
        assert (back.payment_return.returned_on, back.entry.payment.amount) == (clock.today(), back.entry.amount)
        assert queries.sum_open_lines(back.entry.household_id) >= back.entry.amount

    def a_check_is_taken(self, page: Page) -> str:
        household = Household.objects.order_by("pk")[0]
        self.go(page, "payment_take", household.pk)
        write(page, "#id_amount", str(PAID))
        reach(page, "[name=method]")
        page.keyboard.press("ArrowDown")
        expect(page.locator("[name=method][value=cheque]")).to_be_checked()
        write(page, "#id_cheque_number", "3301")
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
        write(page, "#id_deposited_on", usual(clock.today()))
        page.keyboard.press("Enter")
        expect(page.get_by_text(number).first).to_be_visible()

    def the_statement_comes_in(self, page: Page, run: AutopayRun) -> None:
        """The whole month at the bank: what the books wait for, a transfer nobody wrote down, and the bank's own fee."""
        waits = list_outstanding(begins_on=self.month.day_before, through_on=self.month.last_day)
        told = [as_the_bank_tells(item, since=self.month.first_day) for item in waits]
        assert {run.total, PAID} <= {each.amount for each in told}
        assert any(each.name == "RETURNED ITEM" for each in told)
        owing = aging.list_overdue(self.month.last_day)[0]
        told.append(Told(self.month.last_day, owing.amount, f"TRANSFER FROM {owing.name}".upper(), memo=f"RENT {owing.number}"))
        told.append(Told(self.month.last_day, FEE, "SERVICE CHARGE", "SRVCHG"))
        before = BankStatement.objects.latest("balance_on").closing_balance
        days = {"begins_on": self.month.first_day, "ends_on": self.month.last_day}
        balance = before + sum(each.amount for each in told)
        file = self.folder / "statement.ofx"
        file.write_bytes(write_ofx(told, account=ACCOUNT, bank_id=BANK_ID, **days, balance=balance))
        self.go(page, "bank_files")
        choose(page, file)
        press(page, "Look at the file")
        expect(page.get_by_text("Nothing is taken in yet.")).to_be_visible()
        press(page, "Take it in")
        page.wait_for_url("**/bank/")
        assert BankLine.objects.filter(statement=BankStatement.objects.latest("pk")).count() == len(told)

    def every_line_is_matched(self, page: Page, run: AutopayRun) -> None:
        """What is certain is matched by itself; a person accepts the rest, line by line."""
        until(page, lambda: not MatchingRun.objects.filter(finished_at=None).exists())
        self.go(page, "bank")
        left = list_lines("open").count()
        assert left
        while left:
            reach(page, "[data-grid] tbody tr:not([data-acted])")
            page.keyboard.press("Enter")
            until(page, lambda before=left: list_lines("open").count() < before)
            page.wait_for_load_state("networkidle")
            left = list_lines("open").count()
        expect(page.get_by_text("All done")).to_be_visible()
        run.deposit.refresh_from_db()
        assert run.deposit.matches.filter(undone_at=None).exists()
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
        until(page, lambda: Document.objects.get(pk=package.document_id).state == Document.State.MADE)
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

    def both_referees_have_our_balances(self, page: Page) -> None:
        """The journal of the month leaves in both formats, and each program works out what every account came to."""
        ours = {code: balance for code, balance in list_balances(self.month.last_day).items() if balance}
        assert self.by_beancount(self.journal(page, "Beancount")) == ours
        assert self.by_hledger(self.journal(page, "hledger")) == ours

    def journal(self, page: Page, program: str) -> Path:
        self.go(page, "journal_files", query=f"?from={self.month.first_day}&through={self.month.last_day}")
        reach(page, "#f-format")
        page.keyboard.type(program)
        reach(page, "#f-opening")
        page.keyboard.press("ArrowDown")
        file = self.folder / f"{program}.journal"
        save(page, "Download", file)
        return file

    def by_beancount(self, file: Path) -> dict[str, Decimal]:
        entries, errors, _ = loader.load_string(file.read_text())
        assert [error.message for error in errors] == []
        root, found = realization.realize(entries), {}
        for account in Account.objects.all():
            theirs = realization.get(root, export.account_name(account))
            found[account.code] = theirs.balance.get_currency_units("USD").number or D(0) if theirs is not None else D(0)
        return {code: balance for code, balance in found.items() if balance}

    def by_hledger(self, file: Path) -> dict[str, Decimal]:
        checked = subprocess.run(["hledger", "-f", file, "check", "-s"], capture_output=True, text=True, check=False)
        assert (checked.returncode, checked.stderr) == (0, "")
        words = ["balance", "--flat", "--no-total", "--output-format", "csv"]
        told = subprocess.run(["hledger", "-f", file, *words], capture_output=True, text=True, check=True).stdout
        codes = {export.account_name(account): account.code for account in Account.objects.all()}
        theirs = {codes[name]: D(amount.split()[0]) for name, amount in list(csv.reader(io.StringIO(told)))[1:]}
        return {code: balance for code, balance in theirs.items() if balance}

    def state(self, code: str) -> str:
        """How a line of the checklist stands now."""
        lines = checklist.list_lines(self.month, today=clock.today())
        return next(line.state for line in lines if line.check.code == code)

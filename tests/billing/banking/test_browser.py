"""The bank's lines in a real browser: cleared without a mouse, and accessible at every width in both themes.

Keys: WCAG 2.2, success criterion 2.1.4 (single letters only where the list has the focus). axe-core: WCAG 2.2 A and AA.
"""

import pytest
from playwright.sync_api import expect

from billing.banking import operations, queries
from billing.models import BankMatch
from tests.billing.banking.statements import line
from tests.billing.factories import NOON, HouseholdFactory
from tests.browser import list_violations
from tests.look.test_gallery import SIZES, SMALL


@pytest.fixture
def thirty(take_in, deposit):
    """Thirty lines: deposits, fees, unknown receipts, and one to be put together by hand."""
    for n in range(12):
        deposit(f"{n + 20}.00")
    deposits = [line(f"D{n}", f"{n + 20}.00") for n in range(12)]
    fees = [line(f"F{n}", f"-{n + 1}.50", name="SERVICE CHARGE", kind="SRVCHG") for n in range(8)]
    unknown = [line(f"U{n}", f"{n + 300}.25", name="WIRE") for n in range(9)]
    return take_in(*deposits, *fees, *unknown, line("H1", "500.00", name="WIRE"))


@pytest.fixture
def a_list(bookkeeper):
    """A list in CSV whose columns nobody has told yet."""
    rows = ["Date,Description,Amount,Balance", "03/10/2026,COUNTER DEPOSIT,30.00,130.00", "03/11/2026,FEE,-5.00,125.00"]
    content = "\n".join(rows).encode()
    return operations.read_file(content=content, file_name="list.csv", acting_user=bookkeeper, now=NOON)


def waits(page, count):
    """Wait until so many rows are done and the focus is on a row again."""
    expect(page.locator("tr[data-acted=done]")).to_have_count(count)
    page.wait_for_selector("[data-grid] tbody tr:focus")


class TestWithoutAMouse:
    def test_thirty_lines_are_cleared(self, desk, thirty, context):
        page = desk("bank")
        HouseholdFactory(number="H-00777")
        for _n in range(60):
            if page.evaluate("document.activeElement.matches('[data-grid] tbody tr')"):
                break
            page.keyboard.press("Tab")
        for done in range(1, 30):
            page.keyboard.press("Enter")
            waits(page, done)
        page.keyboard.press("o")
        page.wait_for_url("**/bank/lines/*/")
        page.focus("#id_part-0-what")
        page.keyboard.type("Payment")
        page.keyboard.press("Tab")
        page.keyboard.type("H-00777")
        page.keyboard.press("Tab")
        page.keyboard.type("499.99")
        expect(page.locator("#line-sum")).to_contain_text("$0.01")
        page.focus("#id_part-1-what")
        page.keyboard.type("Not known")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.type("0.01")
        expect(page.locator("#line-sum")).to_contain_text("Adds up")
        page.keyboard.press("Enter")
        page.wait_for_url("**/bank/?done=*")
        assert "All done" in page.inner_text("main")
        assert (queries.list_open_lines().count(), BankMatch.objects.filter(undone_at=None).count()) == (0, 31)

    def test_moves_undoes_and_shows_its_keys(self, desk, thirty):
        page = desk("bank")
        page.focus("[data-grid] tbody tr:first-child")
        page.keyboard.press("j")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("k")
        here = page.evaluate("document.activeElement.id")
        assert here == f"line-{thirty[1].pk}"
        page.keyboard.press("Enter")
        waits(page, 1)
        page.keyboard.press("k")
        page.keyboard.press("u")
        waits(page, 0)
        assert page.evaluate("document.activeElement.id") == here
        page.keyboard.press("?")
        assert "put it together by hand" in page.inner_text(":focus")
        assert not BankMatch.objects.filter(undone_at=None).exists()

    def test_letters_do_nothing_outside_the_list(self, desk, thirty):
        page = desk("bank")
        page.focus("h1 >> xpath=ancestor::main")
        for key in "ouxjk123":
            page.keyboard.press(key)
        assert page.url.endswith("/bank/")
        assert queries.list_open_lines().count() == 30

    def test_what_was_matched_stays_over_a_reload(self, desk, thirty):
        page = desk("bank")
        page.focus("[data-grid] tbody tr:first-child")
        for done in (1, 2, 3):
            page.keyboard.press("Enter")
            waits(page, done)
        page.reload()
        assert page.locator("[data-grid] tbody tr").count() == 27


class TestColumns:
    def test_what_is_read_is_shown_while_one_chooses_and_the_keys_go_on_to_the_lines(self, desk, a_list, page):
        desk("bank_columns", a_list.pk)
        read = page.locator("#columns-tried")
        expect(read).to_contain_text("every line follows from the one before")
        page.focus("#id_order")
        page.keyboard.type("year")
        expect(read).to_contain_text("is not a day written as year, month, day")
        page.keyboard.press("Home")
        expect(read).to_contain_text("COUNTER DEPOSIT")
        page.focus("#id_account_name")
        page.keyboard.type("Savings")
        page.keyboard.press("Tab")
        page.keyboard.type("0002")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/bank/files/{a_list.pk}/")
        page.get_by_role("button", name="Take it in").press("Enter")
        page.wait_for_url("**/bank/")
        assert queries.list_open_lines().count() == 2


class TestEveryScreen:
    @pytest.mark.parametrize("theme", ["light", "dark"])
    def test_has_no_violation_and_no_sideways_scroll(self, desk, thirty, page, theme, a_list):
        page.emulate_media(color_scheme=theme)
        screens = [("bank",), ("bank_line", thirty[0].pk), ("bank_certain",), ("bank_files",), ("bank_reconcile",)]
        account = thirty[0].account_id
        screens += [("bank_columns", a_list.pk), ("bank_accounts",), ("bank_account", account)]
        for screen in [*screens, ("bank_file", thirty[0].statement.file_id)]:
            desk(*screen)
            for width, height in SIZES:
                page.set_viewport_size({"width": width, "height": height})
                assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0, screen
                assert page.evaluate(SMALL, 24) == [], screen
            assert list_violations(page) == [], screen

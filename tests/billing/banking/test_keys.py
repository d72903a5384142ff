"""The bookkeeper's hour at the bank's lines, keys only: a hundred lines cleared, and each key by itself.

Keys: WCAG 2.2, success criterion 2.1.4 (single letters only where the list has the focus, and they can be switched off).
"""

import contextlib
import time
from decimal import Decimal

import pytest
from playwright.sync_api import Error, expect

from billing import charges, verify
from billing.banking import operations, queries
from billing.models import BankLine, BankMatch, PaymentReturn
from tests.billing.banking.statements import line
from tests.billing.factories import DAY, NOON, HouseholdFactory

D = Decimal
ON_A_ROW = "document.activeElement.matches('[data-grid] tbody tr')"
MOVED_ON = f"""was => document.readyState === 'complete' && document.querySelector('h1') && (
    !document.querySelector('[data-grid] tbody tr') || ({ON_A_ROW} && document.activeElement.id !== was))"""
HERE = "document.activeElement.id"


def wait_until(page, words, arg=None):
    """Ask the page again and again until it says yes, also across its reloads.

    Not by Playwright's own waiting: that evaluates text inside the page, which the content security policy forbids from the
    second time on.
    """
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with contextlib.suppress(Error):  # the page is just being left
            if page.evaluate(words, arg):
                return
        page.wait_for_timeout(15)
    raise AssertionError(words)


def tab_to(page, selector):
    """Press Tab until the focus is there."""
    for _n in range(90):
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(selector)


def press(page, *keys):
    """Press keys on a row, each ending a line, and wait until the focus is on the next."""
    for key in keys:
        wait_until(page, ON_A_ROW)
        was = page.evaluate(HERE)
        page.keyboard.press(key)
        wait_until(page, MOVED_ON, arg=was)


def settled(page):
    """Wait until the page that was come to has the focus on a row, or has no row."""
    page.wait_for_url("**/bank/?**")
    wait_until(page, MOVED_ON, arg="")


@pytest.fixture
def families(bookkeeper):
    """Three families; one owes thirteen dollars."""
    found = [HouseholdFactory(name=name, number=number) for name, number in (("Okafor", "H-00777"), ("Brandt", "H-00778"))]
    owing = HouseholdFactory(name="Lindqvist", number="H-00779")
    charges.charge_fee(household=owing, on=DAY, description="Late fee", amount=13, acting_user=bookkeeper, now=NOON)
    return [*found, owing]


@pytest.fixture
def hundred(take_in, deposit, families):
    """A hundred lines as they come: mostly deposits and fees, and one of everything that needs a thought."""
    obvious = [line(f"D{n:02}", f"{n + 20}.00") for n in range(70)]
    fees = [line(f"F{n:02}", f"-{n + 1}.50", name="SERVICE CHARGE", kind="SRVCHG") for n in range(12)]
    unknown = [line(f"H{n}", f"{n + 300}.25", name="WIRE") for n in range(4)]
    for amount in [*(f"{n + 20}.00" for n in range(70)), "500.07", "500.07", "900.00", "210.00", "220.00"]:
        deposit(amount)
    thought = [
        line("P1", "500.07"),
        line("P2", "500.07"),
        line("S1", "610.13"),
        line("S2", "289.87"),
        line("T1", "777.77", name="XFER"),
        line("R1", "-20.00", name="RETURNED ITEM R01", kind="DEBIT"),
        line("X1", "4321.00", name="TOLD TWICE"),
        line("U1", "-44.50", name="SERVICE CHARGE", kind="SRVCHG"),
        line("N1", "13.00", name="TRANSFER", memo="RENT H-00779"),
        line("N2", "61.30", name="ONLINE PMT"),
        line("O1", "40.00", name="GRANDPARENTS"),
        line("O2", "430.00", name="BRANCH"),
        line("L1", "5.05", name="WIRE"),
    ]
    take_in(*obvious, *fees, *unknown, *thought)
    take_in(line("T2", "-777.77", name="XFER"), account="2000000002", name="savings.ofx")
    assert queries.list_open_lines().count() == 100
    return {each.bank_reference: each for each in BankLine.objects.all()}


class TestAHundredLines:
    def test_are_cleared_without_a_mouse(self, desk, hundred):
        """Eighty-two obvious ones take one key each, the others one to a few; the page follows by itself."""
        page = desk("bank")
        tab_to(page, "[data-grid] tbody tr")

        def on(reference):
            assert page.evaluate(HERE) == f"line-{hundred[reference].pk}", reference

        press(page, *["Enter"] * 50)
        on("D50")
        press(page, *["Enter"] * 32, *["h"] * 4)
        on("P1")
        press(page, "2", "Enter")  # two deposits of one sum: the other one for this line
        on("S1")
        press(page, "Enter")  # a deposit in two lines, both at once
        on("T1")
        press(page, "Enter")  # both sides of a transfer
        on("R1")
        self.takes_back(page)
        press(page, "x", "Enter")
        self.undoes_and_takes_again(page, hundred["U1"])
        press(page, "Enter")
        self.finds_a_family(page)
        self.splits(page)
        self.ticks_two(page)
        press(page, "h")
        expect(page.locator("main")).to_contain_text("All done")
        assert queries.list_open_lines().count() == 0
        assert queries.count_states()["left-out"] == 1
        assert PaymentReturn.objects.get().reason == "Insufficient funds"
        assert not [found for _check, found in verify.run_checks() if found]

    def takes_back(self, page):
        page.keyboard.press("Enter")
        page.wait_for_url("**/returned/**")
        tab_to(page, "input[name=reason]:checked")
        page.keyboard.press("Enter")
        settled(page)

    def undoes_and_takes_again(self, page, undone):
        """The key goes up to the line that was just matched, and takes it back."""
        page.keyboard.press("k")
        assert page.evaluate(HERE) == f"line-{undone.pk}"
        page.keyboard.press("u")
        expect(page.locator(f"#line-{undone.pk}")).not_to_contain_text("Matched")
        wait_until(page, f"{HERE} === 'line-{undone.pk}'")
        press(page, "Enter")

    def finds_a_family(self, page):
        page.keyboard.press("s")
        page.wait_for_url("**/bank/lines/*/?find")
        wait_until(page, "document.activeElement.name === 'q'")
        page.keyboard.type("Okafor")
        page.keyboard.press("Enter")
        page.wait_for_url("**q=Okafor**")
        expect(page.locator("main")).to_contain_text("H-00777 Okafor")
        tab_to(page, "#id_part-0-what")
        self.part(page, "Payment", "H-00777", "61.30")
        page.keyboard.press("Enter")
        settled(page)

    def splits(self, page):
        page.keyboard.press("o")
        page.wait_for_url("**/bank/lines/*/")
        tab_to(page, "#id_part-0-what")
        self.part(page, "Payment", "H-00777", "26.65")
        tab_to(page, "#id_part-1-what")
        self.part(page, "Payment", "H-00778", "13.34")
        expect(page.locator("#line-sum")).to_contain_text("$0.01")
        page.keyboard.press("Backspace")
        page.keyboard.type("5")
        expect(page.locator("#line-sum")).to_contain_text("Adds up")
        page.keyboard.press("Enter")
        settled(page)

    def ticks_two(self, page):
        page.keyboard.press("o")
        page.wait_for_url("**/bank/lines/*/")
        for _each in range(2):
            tab_to(page, "input[name=entry]:not(:checked)")
            page.keyboard.press("Space")
        expect(page.locator("#line-sum")).to_contain_text("Adds up")
        tab_to(page, "button.button:not([name])")
        page.keyboard.press("Enter")
        settled(page)

    def part(self, page, what, family, amount):
        page.keyboard.type(what)
        page.keyboard.press("Tab")
        page.keyboard.type(family)
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "SELECT":
            page.keyboard.press("Tab")
        page.keyboard.type(amount)


@pytest.fixture
def few(take_in, deposit):
    """Four lines: a deposit, one with several proposals, a fee, an unknown receipt."""
    for amount in ("30.00", "50.00", "50.00", "50.00", "50.00"):
        deposit(amount)
    take_in(
        line("A1", "30.00"),
        line("A2", "50.00"),
        line("A3", "-5.00", name="MISC", kind="DEBIT"),
        line("A4", "99.00", name="WIRE"),
    )
    return {each.bank_reference: f"line-{each.pk}" for each in BankLine.objects.all()}


@pytest.fixture
def on_the_list(desk, few):
    """The queue with the focus on its first row."""
    page = desk("bank")
    page.focus(f"#{few['A1']}")
    return page


def matched():
    return set(BankMatch.objects.filter(undone_at=None).values_list("line__bank_reference", flat=True))


class TestEachKey:
    @pytest.mark.parametrize(("there", "back"), [("j", "k"), ("ArrowDown", "ArrowUp")])
    def test_moves(self, on_the_list, few, there, back):
        page = on_the_list
        page.keyboard.press(there)
        page.keyboard.press(there)
        assert page.evaluate(HERE) == few["A3"]
        page.keyboard.press(back)
        assert page.evaluate(HERE) == few["A2"]
        page.keyboard.press(back)
        page.keyboard.press(back)
        assert page.evaluate(HERE) == few["A1"]
        assert matched() == set()

    def test_enter_takes_the_first_proposal(self, on_the_list):
        press(on_the_list, "Enter")
        assert matched() == {"A1"}

    @pytest.mark.parametrize("place", [1, 2, 3])
    def test_a_number_takes_that_proposal(self, on_the_list, few, place):
        page = on_the_list
        page.keyboard.press("j")
        title = page.locator(f"#{few['A2']} .bank-proposals li").nth(place - 1).locator("button").inner_text()
        press(page, str(place))
        expect(page.locator(f"#{few['A2']}")).to_contain_text(title)
        assert matched() == {"A2"}

    def test_h_holds(self, on_the_list):
        press(on_the_list, "h")
        assert queries.count_states()["held"] == 1

    def test_f_is_a_fee_where_money_went_out_and_nothing_else(self, on_the_list, few):
        page = on_the_list
        page.keyboard.press("f")
        page.keyboard.press("j")
        page.keyboard.press("j")
        press(page, "f")
        assert matched() == {"A3"}
        assert BankMatch.objects.get().entry.memo == "Bank fee: MISC"

    def test_x_leaves_out_and_u_takes_up_again(self, on_the_list, few):
        page = on_the_list
        press(page, "x")
        assert queries.count_states()["left-out"] == 1
        page.keyboard.press("k")
        page.keyboard.press("u")
        expect(page.locator(f"#{few['A1']}")).to_contain_text("Certain")
        assert queries.count_states()["left-out"] == 0

    def test_u_undoes_from_the_next_line_what_was_done_before(self, on_the_list, few, desk):
        press(on_the_list, "Enter")
        page = on_the_list
        page.goto(page.url.split("?")[0] + f"?done={few['A1'].removeprefix('line-')}")
        wait_until(page, f"{HERE} === '{few['A2']}'")
        page.keyboard.press("u")
        page.wait_for_url("**?at=*")
        wait_until(page, f"{HERE} === '{few['A1']}'")
        assert matched() == set()

    def test_s_finds_a_family(self, on_the_list):
        page = on_the_list
        page.keyboard.press("s")
        page.wait_for_url("**/bank/lines/*/?find")
        wait_until(page, "document.activeElement.name === 'q'")

    def test_o_puts_it_together_by_hand(self, on_the_list):
        page = on_the_list
        page.keyboard.press("o")
        page.wait_for_url("**/bank/lines/*/")
        expect(page.locator("main")).to_contain_text("Put it together by hand")

    def test_question_mark_lists_the_keys(self, on_the_list):
        page = on_the_list
        page.keyboard.press("?")
        shown = page.inner_text(":focus")
        for does in ("match with the first proposal", "put it together by hand", "hold it", "bank fee", "undo", "search for"):
            assert does in shown

    def test_enter_on_what_is_matched_opens_it_and_undoes_nothing(self, on_the_list, few):
        page = on_the_list
        press(page, "Enter")
        page.keyboard.press("k")
        page.keyboard.press("Enter")
        page.wait_for_url("**/bank/lines/*/")
        assert matched() == {"A1"}

    def test_once_all_of_a_page_are_done_the_next_come_by_themselves(self, on_the_list, few, take_in, monkeypatch):
        from billing.banking.views import lines

        monkeypatch.setattr(lines, "PAGE", 2)
        page = on_the_list
        page.reload()
        page.focus(f"#{few['A1']}")
        press(page, "Enter", "2")
        wait_until(page, f"{HERE} === '{few['A3']}'")
        assert "is matched: Deposit" in page.inner_text("#bank-done")


class TestLettersDoNothing:
    LETTERS = "jkhfsoxu1234?"

    def stays(self, page, address):
        assert page.url == address
        assert (matched(), queries.list_open_lines().count()) == (set(), 4)

    def test_outside_the_list(self, on_the_list):
        page = on_the_list
        page.focus("h1 >> xpath=ancestor::main")
        for key in self.LETTERS:
            page.keyboard.press(key)
        self.stays(page, page.url)

    def test_while_one_types_in_a_field(self, on_the_list):
        page = on_the_list
        address = page.url
        page.focus("input[type=search]")
        page.keyboard.type(self.LETTERS)
        assert page.input_value("input[type=search]") == self.LETTERS
        self.stays(page, address)

    def test_in_the_list_once_they_are_switched_off_here(self, on_the_list, few):
        page = on_the_list
        address = page.url
        tab_to(page, "[data-keys-off]")
        page.keyboard.press("Space")
        page.reload()
        assert page.is_checked("[data-keys-off]")
        page.focus(f"#{few['A1']}")
        for key in self.LETTERS:
            page.keyboard.press(key)
        self.stays(page, address)
        page.keyboard.press("ArrowDown")
        assert page.evaluate(HERE) == few["A2"]
        page.keyboard.press("ArrowUp")
        press(page, "Enter")
        assert matched() == {"A1"}

    @pytest.mark.parametrize("held", ["Control", "Alt", "Meta"])
    def test_with_another_key_held_down(self, on_the_list, held):
        page = on_the_list
        address = page.url
        page.keyboard.press(f"{held}+h")
        self.stays(page, address)


class TestOnlyWhatIsNew:
    def test_of_eight_hundred_lines_the_twelve_new_ones_are_shown(self, desk, take_in, bookkeeper):
        old = [line(f"A{n}", f"{n + 1}.00", name="WIRE") for n in range(788)]
        for each in take_in(*old, name="first.ofx"):
            operations.leave_out(line=each, acting_user=bookkeeper, now=NOON)
        fresh = [line(f"B{n}", f"{n + 1}.10", name="WIRE") for n in range(12)]
        take_in(*old, *fresh, name="second.ofx")
        page = desk("bank")
        rows = page.locator("[data-grid] tbody tr")
        assert rows.count() == 12
        page.focus("[data-grid] tbody tr:first-child")
        press(page, "h", "h", "h")
        page.reload()
        assert rows.count() == 9
        assert queries.count_states()["held"] == 3


class TestWhatIsChosenStays:
    """Half way through a line, the page is loaded anew: every tick and every word is there again, and the sum of them."""

    def test_by_hand(self, desk, few, families):
        page = desk("bank_line", few["A4"].removeprefix("line-"))
        page.locator("input[name=entry]").nth(1).check()
        page.select_option("#id_part-0-what", "payment")
        page.fill("#id_part-0-household", "H-00777")
        page.fill("#id_part-0-amount", "48.99")
        expect(page.locator("#line-sum")).to_contain_text("$98.99")
        page.reload()
        assert [each.is_checked() for each in page.locator("input[name=entry]").all()] == [False, True, False, False, False]
        assert page.input_value("#id_part-0-household") == "H-00777"
        assert page.input_value("#id_part-0-amount") == "48.99"
        expect(page.locator("#line-sum")).to_contain_text("$98.99")

    def test_among_the_certain_ones(self, desk, take_in, deposit):
        for amount in ("30.00", "31.00", "32.00"):
            deposit(amount)
        take_in(line("A1", "30.00"), line("A2", "31.00"), line("A3", "32.00"))
        page = desk("bank_certain")
        page.locator("input[name=match]").nth(1).uncheck()
        page.reload()
        assert [each.is_checked() for each in page.locator("input[name=match]").all()] == [True, False, True]
        page.get_by_role("button", name="Match what is ticked").press("Enter")
        page.wait_for_url("**/bank/")
        assert matched() == {"A1", "A3"}

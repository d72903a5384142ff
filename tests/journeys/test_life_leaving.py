"""Every way an agreement can leave or go on as another, done on screen against the office's own processes."""

import io
import re
from collections.abc import Callable

import pytest
from django.core.management import call_command
from djmoney.money import Money
from playwright.sync_api import Page, expect

from billing import queries as billing
from rentals.agreements.models import Agreement
from rentals.counter.life.buying import list_better
from rentals.counter.life.exchanging import list_larger
from rentals.counter.life.leaving import had_protection
from rentals.runtime import clock
from rentals.runtime.templatetags.office import money
from tests.journeys.test_first_day import enter, leave


@pytest.fixture
def shop(office, demo):
    """The running office with a small scenario in its books."""
    demo(households=100)
    return office


def steady() -> list[Agreement]:
    """Agreements that run, of families that owe nothing, each with its instrument at home; one of a family."""
    found = (
        Agreement.objects.filter(ended_on=None, holds=None, followed_by=None, units__instrument__custodies__place="family")
        .filter(units__ended_at=None, units__role="rented", units__instrument__custodies__ended_at=None)
        .exclude(units__role="loaner", units__ended_at=None)
        .select_related("item__kind", "household", "plan_version")
        .order_by("starts_on", "pk")
        .distinct()
    )
    by_family = {each.household_id: each for each in reversed(list(found)) if billing.sum_balance(each.household_id) <= 0}
    return sorted(by_family.values(), key=lambda each: (each.starts_on, each.pk))


class Pool:
    """The agreements of a journey: each is taken once, by what it must be."""

    def __init__(self, agreements: list[Agreement]) -> None:
        self.left = agreements

    def take(self, what: str, fits: Callable[[Agreement], object] = bool) -> Agreement:
        """Take the first that fits."""
        found = next((each for each in self.left if fits(each)), None)
        assert found is not None, f"the scenario has no agreement left that is {what}"
        self.left.remove(found)
        return found


def is_protected(agreement: Agreement) -> bool:
    """Whether protection is billed now."""
    return had_protection(agreement, clock.today())


class TestLeaving:
    def test_each_move_by_a_specialist(self, page: Page, shop):
        self.page, self.url = page, shop.url
        pool = Pool(steady())
        string = pool.take("a string to grow out of", list_larger)
        stepping = pool.take("one with a better one on the shelf", list_better)
        pool.left = [each for each in pool.left if not each.item.size]
        enter(page, shop.url, "rosa")
        bought = pool.take("a wind to buy")
        self.the_price_is_quoted(bought)
        self.it_is_bought_and_paid(bought)
        self.what_is_bought_cannot_be_bought_again(bought)
        self.another_steps_up(stepping)
        self.one_comes_back_without_its_case(pool.take("a wind to bring back"))
        self.three_are_lost_with_and_three_without_protection(pool)
        self.one_is_exchanged(pool.take("a wind to exchange"))
        self.a_violin_grows(string)
        self.one_comes_back_and_is_taken_up_again(pool.take("a wind to take up again"))
        leave(page)
        self.the_bookkeeper_sees_credit_that_proved_unpaid()
        out = io.StringIO()
        call_command("verify_books", stdout=out)
        assert re.search(r"All \d+ checks hold", out.getvalue()), out.getvalue()

    def act(self, agreement: Agreement, name: str) -> None:
        """Open a move from the agreement's page."""
        self.page.goto(f"{self.url}/agreements/{agreement.pk}/")
        self.page.get_by_role("link", name=name, exact=True).click()
        expect(self.page.get_by_role("heading", level=1)).to_be_visible()

    def press(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("button", name=name).click()

    def say_it_came_back(self) -> None:
        self.page.get_by_label("Shop", exact=True).select_option(index=1)
        self.page.get_by_label("Good", exact=True).check()

    def sign(self, agreement: Agreement) -> None:
        expect(self.page.get_by_role("heading", name="The agreement", exact=True)).to_be_visible()
        self.page.get_by_label("The guardian has read this and agrees.").check()
        self.page.get_by_label("Type the full name to sign").fill(str(agreement.guardian))
        self.press(re.compile("^Sign and take"))
        expect(self.page.get_by_text("is signed:")).to_be_visible()

    def the_price_is_quoted(self, agreement: Agreement) -> None:
        self.act(agreement, "Quote the price to buy")
        expect(self.page.get_by_role("row", name=re.compile("Credit from rent paid"))).to_be_visible()
        self.press("Quote this price")
        expect(self.page.get_by_text(re.compile(r"^Quoted: \$"))).to_be_visible()

    def it_is_bought_and_paid(self, agreement: Agreement) -> None:
        self.act(agreement, "Buy it")
        expect(self.page.get_by_text("Quoted on", exact=False)).to_be_visible()
        self.press(re.compile("^Sell it"))
        expect(self.page.get_by_text(re.compile("is sold"))).to_be_visible()
        pay = self.page.get_by_role("link", name="Take the payment")
        if pay.count():
            pay.click()
            self.page.get_by_label("Cash", exact=True).check()
            self.press(re.compile("^Take"))
            expect(self.page.get_by_text(re.compile("taken. Receipt"))).to_be_visible()
        self.page.goto(f"{self.url}/agreements/{agreement.pk}/")
        expect(self.page.get_by_role("link", name=re.compile("^Bill of sale")).first).to_be_visible()

    def what_is_bought_cannot_be_bought_again(self, agreement: Agreement) -> None:
        self.page.goto(f"{self.url}/agreements/{agreement.pk}/buy/")
        expect(self.page.get_by_text("is bought: nobody can buy it now")).to_be_visible()

    def another_steps_up(self, agreement: Agreement) -> None:
        self.act(agreement, "Step up to a better one")
        self.page.locator("ul.kit a").first.click()
        self.say_it_came_back()
        self.press("Show what it comes to")
        self.press(re.compile("^Sell T"))
        expect(self.page.get_by_text(re.compile("is sold"))).to_be_visible()

    def one_comes_back_without_its_case(self, agreement: Agreement) -> None:
        self.act(agreement, "Take it back")
        self.say_it_came_back()
        self.page.get_by_label("Note").fill("Scratched at the bell")
        self.page.get_by_label("Case is missing").check()
        self.page.get_by_label("Case: price before tax").fill("79.95")
        self.press("Show what it comes to")
        expect(self.page.get_by_role("row", name=re.compile(r"Case, missing at the return.*\$79\.95"))).to_be_visible()
        self.press("Change something")
        expect(self.page.get_by_label("Note")).to_have_value("Scratched at the bell")
        self.press("Show what it comes to")
        self.press(re.compile(r"^Take it back and bill \$"))
        expect(self.page.get_by_text("missing: case")).to_have_count(2)

    def three_are_lost_with_and_three_without_protection(self, pool: Pool) -> None:
        """Covered, the family pays the deductible; not covered, or without protection, the replacement value."""
        for kind in ("lost", "stolen", "destroyed"):
            covered = pool.take("protected", is_protected)
            self.one_is_gone(covered, kind, covered.plan_version.deductible, is_covered="yes")
        for kind in ("lost", "stolen"):
            bare = pool.take("not protected", lambda each: not is_protected(each))
            self.one_is_gone(bare, kind, bare.replacement_value)
        uncovered = pool.take("protected", is_protected)
        self.one_is_gone(uncovered, "destroyed", uncovered.replacement_value, is_covered="no")

    def one_is_gone(self, agreement: Agreement, kind: str, owed: Money, *, is_covered: str = "") -> None:
        self.act(agreement, "Report a loss")
        self.page.locator(f"input[name=kind][value={kind}]").check()
        if kind == "stolen":
            self.page.locator("#id_police_report_number").fill("26-11873")
        if is_covered:
            self.page.locator(f"input[name=is_covered][value={is_covered}]").check()
        self.press("Show what it comes to")
        expect(self.page.locator("main")).to_contain_text(money(owed))
        self.press(re.compile("^Write the loss down"))
        expect(self.page.get_by_text("Written down on", exact=False)).to_be_visible()
        expect(self.page.locator(".page-head")).to_contain_text(kind.capitalize())

    def one_is_exchanged(self, agreement: Agreement) -> None:
        self.act(agreement, "Exchange for another kind")
        self.page.locator("main p.row a").first.click()
        self.page.locator("ul.kit a").first.click()
        self.say_it_came_back()
        self.press("Show the new agreement")
        expect(self.page.get_by_text("days paid for already are not billed again")).to_be_visible()
        self.sign(agreement)

    def a_violin_grows(self, agreement: Agreement) -> None:
        self.act(agreement, "Size up")
        self.page.locator("ul.kit a").first.click()
        self.say_it_came_back()
        self.press("Show the new agreement")
        self.sign(agreement)

    def one_comes_back_and_is_taken_up_again(self, agreement: Agreement) -> None:
        self.act(agreement, "Take it back")
        self.say_it_came_back()
        self.press("Show what it comes to")
        self.press(re.compile("^Take it back"))
        expect(self.page.get_by_text("The return receipt is being made")).to_be_visible()
        self.act(agreement, "Reinstate")
        self.page.locator("ul.kit a").first.click()
        self.press("Show the new agreement")
        self.sign(agreement)

    def the_bookkeeper_sees_credit_that_proved_unpaid(self) -> None:
        enter(self.page, self.url, "bea")
        self.page.goto(f"{self.url}/books/")
        self.page.get_by_role("link", name=re.compile("^Credit that proved unpaid")).click()
        expect(self.page.get_by_role("columnheader", name="Unpaid")).to_be_visible()

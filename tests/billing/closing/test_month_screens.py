"""Closing on screen: the checklist, letting a check pass, the lock, what was kept, opening again."""

import re

import pytest
import time_machine
from django.urls import reverse
from django.utils.html import strip_tags

from billing import verify
from billing.closing import house, operations
from billing.models import Clearing, ClosedMonth, ClosingPackage, ClosingWaiver
from tests.billing.closing.conftest import JANUARY, at

NOW, TODAY = at(4, 20)


@pytest.fixture(autouse=True)
def april():
    with time_machine.travel(NOW, tick=False):
        yield


def text(page):
    return re.sub(r"\s+", " ", strip_tags(page.content.decode()))


@pytest.fixture
def clerk(client_as, books):
    return client_as("bookkeeper")


def close(clerk, month="2026-01"):
    return clerk.post(reverse("month_close"), {"month": month}, follow=True)


class TestMonths:
    def test_offers_to_close_a_month_in_order(self, clerk):
        page = text(clerk.get(reverse("months")))
        assert "Close January 2026" in page
        assert "still to be looked at" not in page

    def test_closes_it_and_shows_what_was_kept(self, clerk):
        page = text(close(clerk))
        assert "January 2026 is closed." in page
        assert "receivables-2026-01.csv" in page
        assert ClosedMonth.objects.get().entry_count == 3

    def test_says_which_month_is_next(self, clerk):
        assert "January 2026 is next" in text(close(clerk, "2026-02"))

    def test_says_what_keeps_a_month_open_and_where_it_is_mended(self, clerk):
        close(clerk)
        page = clerk.get(reverse("months"))
        assert "2 bills of $51.65 left" in text(page)
        assert reverse("billing_runs") in page.content.decode()
        assert "Close February 2026" not in text(page)

    def test_asks_as_many_questions_whatever_the_data(self, clerk, books, django_assert_max_num_queries):
        """One for each check of the books, and 35 for the page and the rest of the checklist."""
        searches = [check for check in verify.CHECKS if check.invariant in house.OF_THE_BOOKS]
        with django_assert_max_num_queries(len(searches) + 35):
            clerk.get(reverse("months"))

    def test_refuses_what_is_sent_all_the_same(self, clerk):
        close(clerk)
        assert "The month cannot be closed yet: Everything due in the month is billed;" in text(close(clerk, "2026-02"))

    @pytest.mark.parametrize(
        ("reason", "said"), [("Counted\0", "Null characters"), ("x" * 201, "at most 200"), (" ", "Write the reason")]
    )
    def test_says_what_is_wrong_with_a_reason(self, clerk, reason, said):
        close(clerk)
        address = reverse("closing_waive", args=["takings"])
        assert said in text(clerk.post(address, {"month": "2026-02", "reason": reason}, follow=True))
        assert not ClosingWaiver.objects.exists()

    def test_lets_a_check_pass_with_its_reason_and_takes_it_back(self, clerk):
        close(clerk)
        clerk.post(reverse("closing_waive", args=["takings"]), {"month": "2026-02", "reason": "Counted on paper"})
        address = reverse("closing_waive", args=["billed"])
        page = text(clerk.post(address, {"month": "2026-02", "reason": "Their school closed"}, follow=True))
        assert "Their school closed" in page
        assert "Close February 2026" in page
        waiver = ClosingWaiver.objects.get(code="billed")
        page = text(clerk.post(reverse("waiver_withdraw", args=[waiver.pk]), follow=True))
        assert "Close February 2026" not in page

    @pytest.mark.parametrize(
        ("code", "sent", "says"),
        [
            ("billed", {"month": "2026-02", "reason": " "}, "Write the reason"),
            ("books", {"month": "2026-02", "reason": "x"}, "cannot be waived"),
            ("billed", {"month": "2026-01", "reason": "x"}, "not the next one any more"),
        ],
    )
    def test_says_why_a_check_cannot_pass(self, clerk, code, sent, says):
        close(clerk)
        page = clerk.post(reverse("closing_waive", args=[code]), sent, follow=True)
        assert says in text(page)
        assert not ClosingWaiver.objects.exists()


class TestPackage:
    def test_gives_each_file_as_it_was(self, clerk):
        close(clerk)
        file = ClosingPackage.objects.get().files.get(name="income-2026-01.csv")
        answer = clerk.get(reverse("closing_file", args=[file.pk]))
        assert answer.content == bytes(file.content)
        assert answer["Content-Disposition"] == 'attachment; filename="income-2026-01.csv"'


class TestReopen:
    @pytest.fixture
    def manager(self, client_as, books):
        operations.close_month(month=JANUARY, acting_user=books.clerk, now=NOW, today=TODAY)
        return client_as("manager")

    def test_opens_the_last_month_with_a_reason(self, manager):
        page = manager.post(reverse("month_reopen"), {"month": "2026-01", "reason": "A bill was missing"}, follow=True)
        assert "January 2026 is open again." in text(page)
        assert "A bill was missing" in text(page)
        package = ClosingPackage.objects.get()
        assert "opened again after this" in text(manager.get(reverse("closing_package", args=[package.pk])))

    def test_wants_the_reason(self, manager):
        page = manager.post(reverse("month_reopen"), {"month": "2026-01", "reason": ""})
        assert page.status_code == 422
        assert ClosedMonth.objects.exists()

    def test_is_not_for_the_bookkeeper(self, manager, client_as):
        client = client_as("bookkeeper")
        assert client.get(reverse("month_reopen")).status_code == 403
        assert reverse("month_reopen") not in client.get(reverse("months")).content.decode()

    def test_has_nothing_to_open_where_none_is_closed(self, client_as, books):
        assert "No closed months yet" in text(client_as("manager").get(reverse("month_reopen")))


class TestClearing:
    def test_lists_the_accounts_and_what_makes_each_up(self, clerk):
        assert "Explained" in text(clerk.get(reverse("clearing") + "?month=2026-03"))
        page = text(clerk.get(reverse("clearing_account", args=["1000"]) + "?month=2026-03"))
        assert "Paid back in cash, Ahead" in page
        assert "Explained to zero" in page

    def test_clears_what_is_ticked(self, clerk):
        page = clerk.get(reverse("clear_by_hand"))
        key = page.context["items"][0][0]
        page = clerk.post(
            reverse("clear_by_hand"), {"chosen": key, "rest_to": "3000", "note": "Paid before the books"}, follow=True
        )
        assert "Cleared: Paid before the books." in text(page)

    def test_keeps_what_was_ticked_when_something_is_missing(self, clerk):
        key = clerk.get(reverse("clear_by_hand")).context["items"][0][0]
        page = clerk.post(reverse("clear_by_hand"), {"chosen": key, "note": "Old"})
        assert page.status_code == 422
        assert "leaves −$720.00" in text(page)
        assert page.context["items"][0][3] is True

    @pytest.fixture
    def cleared(self, clerk):
        """What was bought, cleared against opening balances."""
        key = clerk.get(reverse("clear_by_hand")).context["items"][0][0]
        clerk.post(reverse("clear_by_hand"), {"chosen": key, "rest_to": "3000", "note": "Paid before the books"})
        return reverse("cleared", args=[Clearing.objects.get().pk])

    def test_shows_what_was_cleared_and_undoes_it_with_the_reason(self, clerk, cleared):
        page = text(clerk.get(cleared))
        assert "−$720.00 to 3000 Opening balances" in page
        assert "Undo it?" in page
        page = text(clerk.post(cleared, {"why": "Wrong bill"}, follow=True))
        assert "Undone: Paid before the books. What it had cleared is open again." in page
        assert f"{clerk.user.name}: Wrong bill" in page
        assert len(clerk.get(reverse("clear_by_hand")).context["items"]) == 1
        page = text(clerk.get(cleared))
        assert "This was undone" in page
        assert "Undo it?" not in page

    def test_wants_to_know_why_and_says_who_was_faster(self, clerk, cleared):
        refused = clerk.post(cleared, {"why": " "})
        assert (refused.status_code, "Why is it undone?" in text(refused)) == (422, True)
        clerk.post(cleared, {"why": "Wrong bill"})
        assert "undid this already: Wrong bill." in text(clerk.post(cleared, {"why": "Again"}))

    def test_lists_what_was_cleared_in_few_queries(self, clerk, cleared, django_assert_max_num_queries):
        with django_assert_max_num_queries(12):
            page = clerk.get(reverse("clear_by_hand"))
        assert "Cleared before" in text(page)

    def test_only_who_matches_the_bank_undoes(self, clerk, cleared, client_as):
        assert client_as("specialist").post(cleared, {"why": "x"}).status_code == 403

    def test_an_account_that_is_none_of_them_is_not_found(self, clerk):
        assert clerk.get(reverse("clearing_account", args=["4000"])).status_code == 404

"""Closing by the checklist, waiving, keeping what a month was closed with, and reopening."""

import datetime
import hashlib
from decimal import Decimal

import pytest

from billing import charges, ledger, months, verify
from billing.closing import checklist, checks, operations
from billing.closing.checks import Found, closing_check
from billing.closing.reports import catalog
from billing.models import ClosedMonth, ClosingWaiver, MonthReopening, MonthTotal
from rentals.documents import operations as documents
from rentals.documents.models import Document
from tests.billing.closing.conftest import APRIL, FEBRUARY, JANUARY, MARCH, at
from tests.factories import UserFactory

D = Decimal
TODAY = datetime.date(2026, 4, 20)
NOW = at(4, 20)[0]


@pytest.fixture
def manager(db):
    return UserFactory(role="manager")


def close(clerk, month, today=TODAY, now=NOW):
    return operations.close_month(month=month, acting_user=clerk, now=now, today=today)


def waive(clerk, month, code, reason="Known"):
    return operations.waive(month=month, code=code, reason=reason, acting_user=clerk, now=NOW)


def states(month, today=TODAY):
    return {line.check.code: line.state for line in checklist.list_lines(month, today=today)}


@pytest.fixture
def closed(books):
    return close(books.clerk, JANUARY)


class TestChecklist:
    def test_has_its_lines_in_order_and_a_way_to_mend_each(self):
        places = [check.place for check in checks.list_checks()]
        assert places == sorted(places)
        assert {"over", "billed", "depreciated", "lines", "clearing", "late-fees", "books"} <= set(checks.CHECKS)
        assert {check.code for check in checks.list_checks() if check.is_hard} == {"over", "books"}

    def test_a_month_in_order_holds(self, books):
        assert set(states(JANUARY).values()) == {"holds"}

    def test_sees_what_was_not_billed(self, books):
        line = next(line for line in checklist.list_lines(FEBRUARY, today=TODAY) if line.check.code == "billed")
        assert (line.state, line.found.note) == (
            "open", "2 bills of $51.65 left. Start a run through Feb 28, 2026.",
        )  # fmt: skip

    def test_sees_takings_that_nobody_counted(self, books):
        line = next(line for line in checklist.list_lines(FEBRUARY, today=TODAY) if line.check.code == "takings")
        assert (line.state, line.found.note) == ("open", "2 days still open.")

    def test_sees_a_month_that_is_not_over(self, books):
        assert states(APRIL)["over"] == "forbids"

    def test_sees_depreciation_that_is_not_posted(self, books):
        assert (states(FEBRUARY)["depreciated"], states(MARCH)["depreciated"]) == ("holds", "open")

    def test_sees_books_that_do_not_agree(self, books, monkeypatch):
        found = verify.CHECKS[0]
        broken = type(found)(8, "Broken", lambda: ["household H-1 is off by 0.01"])
        monkeypatch.setattr(verify, "CHECKS", [*verify.CHECKS, broken])
        line = next(line for line in checklist.list_lines(JANUARY, today=TODAY) if line.check.code == "books")
        assert (line.state, line.found.note) == ("forbids", "household H-1 is off by 0.01")

    def test_takes_lines_of_others_and_refuses_two_of_one_name(self, monkeypatch):
        monkeypatch.setattr(checks, "CHECKS", dict(checks.CHECKS))

        @closing_check(70, "tills", "Tills are closed", mend="books", label="Books")
        def tills(month, today):
            return Found(True)

        assert checks.CHECKS["tills"].find(JANUARY, TODAY).holds
        with pytest.raises(ValueError, match="tills"):
            closing_check(70, "tills", "Others", mend="books", label="Books")(lambda month, today: Found(True))


class TestWaive:
    def test_lets_a_soft_check_pass_with_its_reason(self, books):
        waive(books.clerk, FEBRUARY, "billed")
        assert states(FEBRUARY)["billed"] == "waived"

    @pytest.mark.parametrize("code", ["over", "books", "nothing"])
    def test_never_a_hard_one(self, books, code):
        with pytest.raises(operations.CheckNotWaivableError):
            waive(books.clerk, FEBRUARY, code)

    def test_wants_a_reason(self, books):
        with pytest.raises(operations.ReasonMissingError):
            waive(books.clerk, FEBRUARY, "billed", "  ")

    def test_a_second_one_takes_the_place_of_the_first(self, books):
        waive(books.clerk, FEBRUARY, "billed", "One")
        waive(books.clerk, FEBRUARY, "billed", "Two")
        assert [each.reason for each in ClosingWaiver.objects.filter(withdrawn_at=None)] == ["Two"]

    def test_can_be_withdrawn_once(self, books):
        made = waive(books.clerk, FEBRUARY, "billed")
        operations.withdraw_waiver(waiver=made, acting_user=books.clerk, now=NOW)
        assert states(FEBRUARY)["billed"] == "open"
        with pytest.raises(operations.WaiverGoneError):
            operations.withdraw_waiver(waiver=made, acting_user=books.clerk, now=NOW)


class TestCloseMonth:
    def test_locks_the_month(self, books, closed):
        assert ledger.open_from() == FEBRUARY.first_day
        assert verify.closed_months_stand() == []

    def test_refuses_while_a_check_is_open_and_says_which(self, books, closed):
        with pytest.raises(operations.ChecksOpenError, match="Everything due in the month is billed"):
            close(books.clerk, FEBRUARY)
        assert ledger.open_from() == FEBRUARY.first_day

    def test_closes_with_what_was_waived(self, books, closed):
        waive(books.clerk, FEBRUARY, "billed", "Their school closed")
        waive(books.clerk, FEBRUARY, "takings")
        package = close(books.clerk, FEBRUARY)
        kept = next(each for each in package.checklist if each["code"] == "billed")
        assert (kept["state"], kept["waived"]) == ("waived", f"Their school closed ({books.clerk.name})")

    def test_goes_month_by_month(self, books):
        with pytest.raises(months.MonthOutOfOrderError):
            close(books.clerk, FEBRUARY)

    def test_keeps_every_report_as_it_was(self, books, closed):
        names = {f"{code}-2026-01.csv" for code in catalog.KINDS}
        assert {each.name for each in closed.files.all()} == names
        for each in closed.files.all():
            assert hashlib.sha256(bytes(each.content)).hexdigest() == each.sha256

    def test_has_all_reports_on_one_paper(self, books, closed):
        documents.make_document(document_id=closed.document_id, now=NOW)
        made = Document.objects.get(pk=closed.document_id)
        assert (made.state, made.kind, len(made.sha256)) == ("made", "closing", 64)
        assert len(made.payload["page"]["reports"]) == len(catalog.KINDS)


class TestReopen:
    def test_takes_entries_again_and_closing_again_makes_another_package(self, books, closed, manager):
        before = {each.name: each.sha256 for each in closed.files.all()}
        operations.reopen_month(month=JANUARY, reason="A bill was missing", acting_user=manager, now=NOW)
        assert (ledger.open_from(), ClosedMonth.objects.count(), MonthTotal.objects.count()) == (None, 0, 0)
        charges.charge_fee(
            household=books.first.household,
            on=at(1, 31)[1],
            description="Fee",
            amount=D("3.00"),
            acting_user=books.clerk,
            now=NOW,
        )
        again = close(books.clerk, JANUARY, now=at(4, 21)[0])
        assert (closed.number, again.number) == (1, 2)
        assert {each.name: each.sha256 for each in closed.files.all()} == before
        changed = {each.name for each in again.files.all() if before[each.name] != each.sha256}
        assert {"income-2026-01.csv", "trial-balance-2026-01.csv", "receivables-2026-01.csv"} <= changed
        assert verify.month_totals_stand() == verify.closed_months_stand() == []

    def test_leaves_a_row_of_who_when_and_why(self, books, closed, manager):
        operations.reopen_month(month=JANUARY, reason="A bill was missing", acting_user=manager, now=NOW)
        row = MonthReopening.objects.get()
        assert (row.reopened_by, row.reopened_at, row.reason, row.closed_by) == (manager, NOW, "A bill was missing", books.clerk)
        assert (row.entry_count, row.debits) == (3, D("78.30"))
        assert row.events.count() == 1

    def test_is_for_a_manager(self, books, closed):
        with pytest.raises(operations.OnlyAManagerReopensError):
            operations.reopen_month(month=JANUARY, reason="Please", acting_user=books.clerk, now=NOW)

    def test_wants_a_reason(self, books, closed, manager):
        with pytest.raises(operations.ReasonMissingError):
            operations.reopen_month(month=JANUARY, reason=" ", acting_user=manager, now=NOW)

    def test_only_the_last_month(self, books, closed, manager):
        for code in ("billed", "takings"):
            waive(books.clerk, FEBRUARY, code)
        close(books.clerk, FEBRUARY)
        with pytest.raises(operations.NotTheLastMonthError, match="February 2026"):
            operations.reopen_month(month=JANUARY, reason="Late bill", acting_user=manager, now=NOW)

    def test_no_month_where_none_is_closed(self, books, manager):
        with pytest.raises(operations.NotTheLastMonthError, match="No month is closed"):
            operations.reopen_month(month=JANUARY, reason="Late bill", acting_user=manager, now=NOW)

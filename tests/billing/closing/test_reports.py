"""Reports of a month: worked figures a bookkeeper can add up, and every one of them held against the ledger."""

import dataclasses
import datetime
from decimal import Decimal

import pytest

from billing import chart, ledger
from billing.closing.reports import catalog
from billing.closing.reports.table import Report, Row, Tie, columns, money, narrowed
from tests.billing.closing.conftest import APRIL, FEBRUARY, JANUARY, MARCH, at

D = Decimal
MONTHS = [JANUARY, FEBRUARY, MARCH, APRIL]


def rows(code, month):
    """A report's rows as text, amounts with their cents, nothing as nothing."""
    return [tuple(written(cell) for cell in row.cells) for row in catalog.KINDS[code].make(month).rows]


def written(cell):
    return f"{cell:.2f}" if isinstance(cell, D) else "" if cell is None else str(cell)


@pytest.mark.parametrize("code", list(catalog.KINDS))
class TestEveryReport:
    @pytest.mark.parametrize("month", MONTHS, ids=str)
    def test_equals_the_ledger(self, books, code, month):
        report = catalog.KINDS[code].make(month)
        assert [(tie.what, tie.difference) for tie in report.ties if tie.difference] == []
        assert report.ties
        assert report.ties_out

    def test_is_whole(self, books, code):
        report = catalog.KINDS[code].make(FEBRUARY)
        assert {len(row.cells) for row in report.lines} == {len(report.columns)}
        assert (report.code, report.title) == (code, catalog.KINDS[code].title)


@pytest.mark.parametrize("code", list(catalog.KINDS))
class TestOfEmptyBooks:
    def test_can_be_made(self, db, code):
        assert catalog.KINDS[code].make(MARCH).ties_out


class TestTrialBalance:
    def test_shows_before_movement_and_after(self, books):
        found = {row[0]: row[3:] for row in rows("trial-balance", FEBRUARY)}
        assert found[chart.RECEIVABLES] == ("78.30", "58.30", "64.95", "71.65", "")
        assert found[chart.BANK] == ("0.00", "53.30", "26.65", "26.65", "")
        assert found[chart.UNDEPOSITED] == ("0.00", "53.30", "53.30", "", "")

    def test_takes_the_control_account_apart(self, books):
        found = {row[0]: row[3:] for row in rows("trial-balance", MARCH)}
        assert found[chart.RECEIVABLES][-2:] == ("71.65", "25.00")


class TestIncome:
    def test_tells_what_was_charged_and_taken_back(self, books):
        found = {row[0]: row[2:] for row in rows("income", FEBRUARY)}
        assert found["Fees"] == ("5.00", "-5.00", "0.00", "0.00")
        assert found["Rent"] == ("20.00", "0.00", "20.00", "80.00")


class TestReceivables:
    def test_rolls_forward_month_by_month(self, books):
        # opening, charged, voided, paid, credited, returned, paid back, other, closing
        assert rows("receivables", MARCH) == [
            ("January 2026", "0.00", "78.30", "0.00", "0.00", "0.00", "0.00", "0.00", "0.00", "78.30"),
            ("February 2026", "78.30", "31.65", "-5.00", "-53.30", "-6.65", "26.65", "0.00", "0.00", "71.65"),
            ("March 2026", "71.65", "0.00", "0.00", "-40.00", "0.00", "0.00", "15.00", "0.00", "46.65"),
        ]

    def test_adds_up_from_left_to_right(self, books):
        for row in catalog.KINDS["receivables"].make(MARCH).rows:
            assert sum(row.cells[1:-1]) == row.cells[-1]

    def test_begins_a_year_before_at_the_earliest(self, books):
        far = catalog.KINDS["receivables"].make(dataclasses.replace(JANUARY, first_day=datetime.date(2027, 2, 1)))
        assert (far.rows[0].cells[0], len(far.rows)) == ("March 2026", 12)


class TestTax:
    def test_tells_taxable_exempt_and_not_taxed_apart(self, books):
        # jurisdiction, sale, sold, taxable, exempt, not taxed, tax
        assert rows("tax", JANUARY) == [
            ("Other County", "Protection", "5.00", "0.00", "0.00", "5.00", "0.00"),
            ("Other County", "Rent", "20.00", "0.00", "20.00", "0.00", "0.00"),
            ("Sample County", "Protection", "10.00", "0.00", "0.00", "10.00", "0.00"),
            ("Sample County", "Rent", "40.00", "40.00", "0.00", "0.00", "3.30"),
        ]

    def test_counts_back_what_was_taken_back_in_its_month(self, books):
        fee = [row for row in rows("tax", FEBRUARY) if row[1] == "Fee"]
        assert fee == [("No agreement", "Fee", "0.00", "0.00", "0.00", "0.00", "0.00")]

    def test_shows_what_was_paid_to_the_state_in_a_row_of_its_own(self, books):
        ledger.post_entry(
            entry_on=at(3, 20)[1], kind="bank", memo="Return of January", source="bank-line/1/1", acting_user=books.clerk,
            postings=[ledger.Line(chart.SALES_TAX, D("3.30")), ledger.Line(chart.BANK, D("-3.30"))], now=at(3, 20)[0],
        )  # fmt: skip
        assert rows("tax", MARCH) == [("Paid to the state, and other entries", "", "", "", "", "", "-3.30")]
        assert catalog.KINDS["tax"].make(MARCH).ties_out


class TestDeferred:
    def test_shares_a_bill_by_its_days(self, books):
        # Three bills from January 31 to February 28, of 28 days: 27 lie after January.
        assert rows("deferred", JANUARY) == [
            ("Billed for days after Jan 31", "Rent, School year rental", "3", "60.00", "57.87"),
            ("Billed for days after Jan 31", "Protection, School year rental", "3", "15.00", "14.46"),
        ]

    def test_lists_money_on_account_by_family(self, books):
        held = [row for row in rows("deferred", MARCH) if row[0] == "Money on account"]
        assert held == [("Money on account", f"Ahead {books.ahead.number}", "1", "25.00", "25.00")]


class TestRentalCredit:
    def test_counts_rent_paid_by_then_and_not_what_came_back(self, books):
        before, after = rows("rental-credit", JANUARY), rows("rental-credit", FEBRUARY)
        assert before == [("School year rental", "3", "0.00", "0.00", "0.00")]
        # One family paid a month's rent of 20.00; the other's check came back, and a credit note is not rent paid.
        assert after == [("School year rental", "3", "20.00", "20.00", "10.00")]


class TestFleet:
    def test_rolls_cost_and_depreciation_forward(self, books):
        # cost before, bought, left, cost, depreciated before, in the month, of what left, depreciated, book value
        assert rows("fleet", FEBRUARY) == [
            ("Flute", "0.00", "720.00", "0.00", "720.00", "0.00", "12.00", "0.00", "12.00", "708.00"),
        ]
        assert rows("fleet", MARCH) == [
            ("Flute", "720.00", "0.00", "-120.00", "600.00", "12.00", "0.00", "-2.00", "10.00", "590.00"),
        ]


class TestTie:
    def test_tells_of_a_cent(self):
        report = Report("x", "X", MARCH, columns("A"), (), (Tie("a beside b", D("1.00"), D("0.99")),))
        assert not report.ties_out
        assert report.ties[0].difference == D("0.01")


class TestNarrowed:
    def report(self):
        made = (Row(("Rent", D("5.00"))), Row(("Fees", D("0.00"))), Row(("Goods", D("2.50"))))
        return Report("x", "X", MARCH, (*columns("Kind"), *money("Amount")), made, (Tie("t", D(7), D(7)),))

    def test_leaves_out_rows_without_a_figure(self):
        assert [row.cells[0] for row in narrowed(self.report(), empty=False).rows] == ["Rent", "Goods"]

    def test_totals_what_it_shows_and_says_so(self):
        shown = narrowed(self.report(), text=" REN ")
        assert shown.total.cells == ("Total of what is shown", D("5.00"))
        assert shown.ties == self.report().ties

    def test_the_whole_has_the_whole_total(self):
        assert self.report().total.cells == ("Total", D("7.50"))

"""Depreciation as worked tables, against IRS Publication 946, and what holds for any amounts."""

import csv
import datetime
import doctest
from decimal import Decimal
from pathlib import Path

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from billing.fleet import rules, words
from rentals.runtime.money import cents

D = Decimal
TABLE_A_1 = Path(__file__).parents[2] / "data" / "macrs.csv"

amounts = st.decimals("0.01", "99999.99", places=2)
lives = st.integers(1, 240)
days = st.dates(datetime.date(2000, 1, 1), datetime.date(2060, 12, 31))
classes = st.sampled_from([3, 5, 7])


def table_a_1():
    with TABLE_A_1.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return {years: [D(row["percent"]) for row in rows if row["class_years"] == str(years)] for years in (3, 5, 7)}


def test_the_examples_in_the_docstrings():
    done = doctest.testmod(rules)
    assert (done.failed, done.attempted > 5) == (0, True)
    assert doctest.testmod(words) == (0, 1)


class TestMacrs:
    def test_carries_the_published_percentages(self):
        assert {years: list(percents) for years, percents in rules.MACRS.items()} == table_a_1()

    @pytest.mark.parametrize("years", [3, 5, 7])
    def test_the_published_percentages_come_from_the_method(self, years):
        # 200 % declining balance, half a year at the start, to straight line where that gives more (Pub. 946); printed to 0.01.
        left, percents = D(100), []
        for place in range(years):
            part = D("0.5") if place == 0 else D(1)
            percents.append(part * max(left * 2 / years, left / (years - place + (D("0.5") if place else D(0)))))
            left -= percents[-1]
        for ours, printed in zip([*percents, left], rules.MACRS[years], strict=True):
            assert abs(ours - printed) <= D("0.01")

    @pytest.mark.parametrize("years", [3, 5, 7])
    def test_each_published_column_comes_to_a_hundred_and_to_the_cent_of_ten_thousand(self, years):
        assert sum(table_a_1()[years]) == D("100.00")
        # On 10,000.00 every printed percentage is a whole amount of cents: the schedule is the column itself, year by year.
        assert rules.macrs_schedule(D("10000.00"), years) == [percent * 100 for percent in table_a_1()[years]]

    @pytest.mark.parametrize(("years", "rounded", "last"), [(5, "849.94", "48.97"), (7, "849.96", "37.90")])
    def test_the_last_year_takes_the_remainder(self, years, rounded, last):
        # Worked: 849.95 rounded year by year by the percentages of Table A-1 does not come to 849.95 again.
        assert sum(cents(D("849.95") * percent / 100) for percent in rules.MACRS[years]) == D(rounded)
        schedule = rules.macrs_schedule(D("849.95"), years)
        assert (sum(schedule), schedule[-1]) == (D("849.95"), D(last))

    @pytest.mark.parametrize("years", [3, 5, 7])
    def test_small_costs_round_up_no_further_than_they_go(self, years):
        # Over seven years 0.07 rounds to a cent in each of them, and there are eight.
        for cost in range(1, 200):
            schedule = rules.macrs_schedule(D(cost) / 100, years)
            assert (sum(schedule), min(schedule) >= 0) == (D(cost) / 100, True)

    @given(amounts, classes)
    def test_adds_up_and_never_goes_below_nothing(self, cost, years):
        schedule = rules.macrs_schedule(cost, years)
        assert sum(schedule) == cost
        assert min(schedule) >= 0
        assert len(schedule) == years + 1


class TestStraightLine:
    @pytest.mark.parametrize(
        ("basis", "life", "month", "last"),
        [
            # Common practice, no source: the month's share half up, the last month takes what is left.
            ("849.95", 60, "14.17", "13.92"),
            ("849.95", 84, "10.12", "9.99"),
            ("1200.00", 60, "20.00", "20.00"),
            ("100.00", 3, "33.33", "33.34"),
            ("620.00", 1, "620.00", "620.00"),
        ],
    )
    def test_worked(self, basis, life, month, last):
        schedule = rules.straight_line_schedule(D(basis), life)
        assert (schedule[0], schedule[-1], sum(schedule), len(schedule)) == (D(month), D(last), D(basis), life)

    def test_an_amount_below_half_a_cent_a_month_waits_for_the_last(self):
        assert rules.straight_line_schedule(D("0.20"), 60)[-1] == D("0.20")

    def test_an_amount_that_rounds_up_is_done_early(self):
        # 0.31 over 60 months is 0.00516 a month: one cent for 31 months, then nothing.
        schedule = rules.straight_line_schedule(D("0.31"), 60)
        assert (sum(schedule[:31]), sum(schedule[31:])) == (D("0.31"), 0)

    @given(st.decimals(0, "99999.99", places=2), lives)
    def test_adds_up_to_the_basis_and_never_goes_below_nothing(self, basis, life):
        schedule = rules.straight_line_schedule(basis, life)
        assert sum(schedule) == basis
        assert min(schedule) >= 0
        assert len(schedule) == life

    @given(amounts, lives, st.integers(0, 300), st.integers(0, 300))
    def test_never_falls_back(self, basis, life, one, other):
        early, late = sorted([one, other])
        assert 0 <= rules.straight_line(basis, life, early) <= rules.straight_line(basis, life, late) <= basis

    @given(amounts, lives)
    def test_every_month_but_the_last_ones_is_the_same(self, basis, life):
        schedule = rules.straight_line_schedule(basis, life)
        whole = [amount for amount in schedule[:-1] if amount == schedule[0]]
        assert abs(schedule[0] * life - basis) <= D("0.005") * life
        assert len(whole) >= min(life - 1, basis // schedule[0] if schedule[0] else life - 1)


class TestMonthsUsed:
    @given(days, days, lives)
    def test_counts_the_months_of_the_calendar(self, bought, month, life):
        seen, day = 0, bought.replace(day=1)
        while day <= month.replace(day=1) and seen < life:
            seen, day = seen + 1, (day + datetime.timedelta(days=32)).replace(day=1)
        assert rules.months_used(bought, month, life) == seen


class TestYearsSideBySide:
    @given(amounts, st.decimals(0, 1, places=2), days, lives, classes)
    def test_both_ways_write_off_what_they_should(self, cost, share, bought, life, years):
        salvage = round(cost * share, 2)
        rows = rules.years_side_by_side(cost=cost, salvage=salvage, in_service_on=bought, life_months=life, tax_class=years)
        assert sum(row.straight_line for row in rows) == cost - salvage
        assert sum(row.macrs for row in rows) == cost
        assert (rows[-1].book_value, rows[-1].tax_value) == (salvage, 0)
        assert [row.year for row in rows] == list(range(bought.year, bought.year + len(rows)))
        assert sorted((row.book_value for row in rows), reverse=True) == [row.book_value for row in rows]


class TestTheDatabaseCountsTheSame:
    CASES = [(basis, life) for basis in ("0.01", "0.31", "99.99", "849.95", "1182.50", "12345.67") for life in (1, 7, 36, 60, 84)]

    def test_straight_line(self, db):
        with connection.cursor() as cursor:
            for basis, life in self.CASES:
                cursor.execute(
                    "SELECT billing_straight_line(%s::numeric, %s, n) FROM generate_series(0, %s) n", [basis, life, life + 1]
                )
                theirs = [row[0] for row in cursor.fetchall()]
                assert theirs == [rules.straight_line(D(basis), life, age) for age in range(life + 2)], (basis, life)

    @pytest.mark.parametrize("bought", ["2025-01-31", "2024-12-01", "2026-02-28"])
    def test_months_used(self, db, bought):
        bought_on = datetime.date.fromisoformat(bought)
        with connection.cursor() as cursor:
            for year, month in ((y, m) for y in range(2024, 2032) for m in range(1, 13)):
                cursor.execute("SELECT billing_months_used(%s::date, %s::date, 60)", [bought, f"{year}-{month:02}-01"])
                assert cursor.fetchone()[0] == rules.months_used(bought_on, datetime.date(year, month, 1), 60)

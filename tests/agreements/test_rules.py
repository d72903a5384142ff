"""Periods against outside referees, credit and payoff as worked figures a bookkeeper can read, and what holds for any amounts."""

import csv
import doctest
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from dateutil.relativedelta import relativedelta
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from rentals.agreements import rules

D = Decimal
DUE_DATES = Path(__file__).parents[1] / "data" / "due_dates.csv"

days = st.dates(date(2000, 1, 1), date(2090, 12, 31))
amounts = st.decimals(0, 99_999, places=2)
shares = st.decimals(0, 1, places=4)


def test_the_examples_in_the_docstrings():
    done = doctest.testmod(rules)
    assert (done.failed, done.attempted > 10) == (0, True)


class TestPeriodBeginsOn:
    def test_agrees_with_dateutil_for_every_anchor_of_eight_years(self):
        """Referee: python-dateutil, relativedelta(months=n): a day the month lacks falls back to its last."""
        for offset in range(8 * 366):
            anchor = date(2024, 1, 1) + timedelta(days=offset)
            for n in (*range(14), 24, 36, 39):
                assert rules.period_begins_on(anchor, n) == anchor + relativedelta(months=n)

    @pytest.mark.django_db
    def test_agrees_with_postgresql_for_every_anchor_of_eight_years(self):
        """Referee: PostgreSQL's date + n * interval '1 month'."""
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT a::date, n, (a::date + n * interval '1 month')::date "
                "FROM generate_series('2024-01-01'::date, '2031-12-31', '1 day') AS a, generate_series(0, 39) AS n"
            )
            rows = cursor.fetchall()
        assert len(rows) == 2922 * 40
        assert [row for row in rows if rules.period_begins_on(row[0], row[1]) != row[2]] == []

    def test_agrees_with_the_table_of_month_ends(self):
        with DUE_DATES.open() as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
        assert len(rows) == 7
        for row in rows:
            anchor = date.fromisoformat(row["anchor"])
            assert [rules.period_begins_on(anchor, n).isoformat() for n in range(6)] == [row[f"+{n}"] for n in range(6)]

    def test_is_not_chained_from_the_period_before(self):
        once = rules.period_begins_on(date(2026, 1, 31), 1)
        assert rules.period_begins_on(once, 1) == date(2026, 3, 28)
        assert rules.period_begins_on(date(2026, 1, 31), 2) == date(2026, 3, 31)

    def test_refuses_a_period_before_the_first(self):
        with pytest.raises(ValueError, match="counted from 0"):
            rules.period_begins_on(date(2026, 1, 31), -1)


class TestPeriodOf:
    @given(days, st.integers(0, 3000))
    def test_gives_the_one_period_that_holds_the_day(self, anchor: date, later: int):
        day = anchor + timedelta(days=later)
        found = rules.period(anchor, rules.period_of(anchor, day))
        assert found.begins_on <= day < found.until_on

    @given(days, st.integers(0, 120))
    def test_periods_follow_each_other_without_gap(self, anchor: date, n: int):
        assert rules.period(anchor, n).until_on == rules.period(anchor, n + 1).begins_on
        assert rules.period_of(anchor, rules.period_begins_on(anchor, n)) == n

    def test_refuses_a_day_before_the_agreement(self):
        with pytest.raises(ValueError, match="before the agreement began"):
            rules.period_of(date(2026, 1, 31), date(2026, 1, 30))


class TestPeriodsDue:
    @pytest.mark.parametrize(
        ("anchor", "through", "ended_on", "numbers"),
        [
            ("2026-01-31", "2026-01-30", None, []),
            ("2026-01-31", "2026-01-31", None, [0]),
            ("2026-01-31", "2026-02-27", None, [0]),
            ("2026-01-31", "2026-02-28", None, [0, 1]),
            ("2026-01-31", "2026-12-31", "2026-02-27", [0]),
            ("2026-01-31", "2026-12-31", "2026-02-28", [0]),
            ("2026-01-31", "2026-12-31", "2026-03-01", [0, 1]),
            ("2026-01-31", "2026-12-31", "2026-01-31", [0]),
            ("2026-01-31", "2026-02-28", "2026-06-01", [0, 1]),
        ],
    )
    def test_counts_what_has_begun_and_not_ended(self, anchor: str, through: str, ended_on: str | None, numbers: list[int]):
        end = date.fromisoformat(ended_on) if ended_on else None
        assert list(rules.periods_due(date.fromisoformat(anchor), date.fromisoformat(through), end)) == numbers


class TestRentCredit:
    @given(amounts, shares, amounts)
    def test_never_exceeds_the_rent_paid_or_the_cap(self, paid: Decimal, share: Decimal, cap: Decimal):
        credit = rules.rent_credit(paid, share, cap)
        assert 0 <= credit <= min(paid, cap)

    @given(amounts, amounts, shares, amounts)
    def test_more_rent_never_means_less_credit(self, paid: Decimal, more: Decimal, share: Decimal, cap: Decimal):
        assert rules.rent_credit(paid + more, share, cap) >= rules.rent_credit(paid, share, cap)


class TestPayoff:
    @pytest.mark.parametrize(
        ("price", "credit", "discount", "tax_rate", "past_due", "net", "tax", "total"),
        [
            ("1080", "0", "0", "0", "0", "1080.00", "0.00", "1080.00"),
            ("1080", "280", "0.25", "0.0825", "31.50", "600.00", "49.50", "681.00"),
            ("1080", "1080", "0.25", "0.0825", "0", "0.00", "0.00", "0.00"),
            ("1080", "2000", "0", "0.0825", "0", "0.00", "0.00", "0.00"),
            ("899.99", "100.01", "0.1", "0.07253", "0", "719.98", "52.22", "772.20"),
            ("1080", "0", "0", "0", "-50", "1080.00", "0.00", "1080.00"),
        ],
    )
    def test_worked(self, price, credit, discount, tax_rate, past_due, net, tax, total):
        found = rules.payoff(
            purchase_price=D(price), credit=D(credit), early_discount=D(discount), tax_rate=D(tax_rate), past_due=D(past_due)
        )
        assert (found.net, found.tax, found.total) == (D(net), D(tax), D(total))

    @given(amounts, amounts, shares, shares, st.decimals(-9999, 9999, places=2))
    def test_is_never_negative_and_adds_up(self, price, credit, discount, rate, past_due):
        found = rules.payoff(purchase_price=price, credit=credit, early_discount=discount, tax_rate=rate, past_due=past_due)
        assert min(found.credit, found.discount, found.net, found.tax, found.past_due, found.total) >= 0
        assert found.purchase_price == found.credit + found.discount + found.net


class TestMonthsUntilOwned:
    @given(st.decimals(1, 9999, places=2), st.decimals(1, 999, places=2), st.decimals("0.05", 1, places=4))
    def test_is_the_first_month_whose_credit_covers_the_price(self, price: Decimal, rent: Decimal, share: Decimal):
        months = rules.months_until_owned(price, rent, share, D(1))
        assert months is not None
        assert rules.rent_credit(rent * months, share, price) >= price
        assert months == 1 or rules.rent_credit(rent * (months - 1), share, price) < price

    @pytest.mark.parametrize(("share", "cap"), [("0", "1"), ("1", "0.9")])
    def test_is_unknown_when_rent_alone_never_leads_there(self, share: str, cap: str):
        assert rules.months_until_owned(D(1000), D(30), D(share), D(cap)) is None

"""What each period covers and costs: no gap, no overlap, no day twice, whatever due days, introductions and changes there are."""

import csv
import doctest
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise, product
from pathlib import Path

import pytest
from dateutil.relativedelta import relativedelta
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from rentals.agreements import periods
from rentals.agreements.periods import Segment, period_at
from rentals.runtime.money import cents

D = Decimal
PRORATION = Path(__file__).parents[1] / "data" / "proration.csv"
EIGHT_YEARS = [date(2024, 1, 1) + timedelta(days=n) for n in range(2922)]
LOOKED_AT = 40

days = st.sampled_from(EIGHT_YEARS)
prices = st.decimals("0.01", 999, places=2)
due_days = st.integers(1, 28)


def first(starts_on: date, **options) -> tuple[Segment, ...]:
    return periods.first_segments(**{"starts_on": starts_on, "rent": D("31.00"), "protection": D("4.00"), **options})


@st.composite
def terms(draw) -> tuple[Segment, ...]:
    """Terms as an agreement may come to have them: a first plan, then up to four changes at periods in order."""
    made = first(
        draw(days),
        rent=draw(prices),
        protection=draw(st.just(D(0)) | prices),
        intro_months=draw(st.sampled_from([0, 0, 1, 3, 12])),
        intro_rent=draw(st.none() | prices),
        due_day=draw(st.none() | due_days),
    )
    n = 0
    for _ in range(draw(st.integers(0, 4))):
        n += draw(st.integers(0, 4))
        change = draw(st.sampled_from(["due_day", "protection", "exchange"]))
        if change == "due_day":
            made = periods.moved_due_day(made, n, draw(due_days))
        elif change == "protection":
            made = periods.with_protection(made, n, draw(prices))
        else:
            made, n = periods.continued(made, n, draw(prices), draw(prices)), 0
    return made


def test_the_examples_in_the_docstrings():
    done = doctest.testmod(periods)
    assert (done.failed, done.attempted > 5) == (0, True)


class TestTheCalendar:
    @given(terms())
    def test_is_tiled_without_gap_or_overlap_and_every_period_has_a_day(self, segments):
        billed = [period_at(segments, n) for n in range(LOOKED_AT)]
        assert billed[0].begins_on == segments[0].begins_on
        assert all(one.until_on == then.begins_on for one, then in pairwise(billed))
        assert all(one.begins_on < one.until_on <= one.natural_until_on for one in billed)

    @given(terms(), st.integers(0, 900))
    def test_knows_the_period_of_every_day(self, segments, later):
        day = segments[0].begins_on + timedelta(days=later)
        found = period_at(segments, periods.period_containing(segments, day))
        assert found.begins_on <= day < found.until_on

    @given(terms(), st.integers(-20, 900), st.none() | st.integers(-20, 900))
    def test_bills_the_periods_begun_and_none_that_begins_when_it_has_ended(self, segments, through, ended):
        begun, end = segments[0].begins_on + timedelta(days=through), None
        if ended is not None:
            end = segments[0].begins_on + timedelta(days=ended)
        wanted = [
            n
            for n in range(LOOKED_AT)
            for begins_on in [period_at(segments, n).begins_on]
            if begins_on <= begun and (end is None or begins_on < end or (n == 0 and begins_on == end))
        ]
        assert list(periods.periods_begun(segments, begun, end)) == wanted

    def test_is_tiled_for_every_first_day_of_eight_years(self):
        """Every anchor day, with and without an introduction, bridged to the ends and the middle of the month."""
        for starts_on, intro, due_day in product(EIGHT_YEARS, (0, 3), (None, 1, 15, 28)):
            segments = first(starts_on, intro_months=intro, due_day=due_day)
            billed = [period_at(segments, n) for n in range(6)]
            assert all(one.until_on == then.begins_on for one, then in pairwise(billed))
            assert due_day is None or all(one.begins_on.day == due_day for one in billed[2:])

    def test_begins_on_the_days_that_dateutil_gives_for_every_anchor_of_eight_years(self):
        """Referee: python-dateutil, relativedelta(months=n) from the anchor."""
        for starts_on in EIGHT_YEARS:
            segments = first(starts_on, intro_months=3)
            for n in (1, 2, 3, 14):
                assert period_at(segments, n).begins_on == starts_on + relativedelta(months=3 + n - 1)

    @pytest.mark.django_db
    def test_begins_on_the_days_that_postgresql_gives_for_every_anchor_of_eight_years(self):
        """Referee: anchor + n * interval '1 month', and for a fixed due day the first such day that generate_series comes to."""
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT a::date, due, begins::date, first::date, (first + 7 * interval '1 month')::date "
                "FROM generate_series('2024-01-01'::date, '2031-12-31', '1 day') AS a, unnest(ARRAY[1, 15, 28]) AS due, "
                "LATERAL (SELECT a + 3 * interval '1 month' AS begins) AS b, "
                "LATERAL (SELECT min(d) AS first FROM generate_series(begins, begins + interval '31 days', '1 day') AS d "
                "WHERE extract(day FROM d) = due) AS f"
            )
            rows = cursor.fetchall()
        assert len(rows) == 2922 * 3
        for starts_on, due_day, bridge_on, first_on, later_on in rows:
            segments = first(starts_on, intro_months=3, due_day=due_day)
            bridged = first_on > bridge_on
            assert period_at(segments, 1).begins_on == bridge_on
            assert period_at(segments, 1 + bridged).begins_on == first_on
            assert period_at(segments, 8 + bridged).begins_on == later_on


class TestWhatAPeriodCosts:
    def test_agrees_with_published_examples_by_actual_days_and_differs_from_other_methods(self):
        with PRORATION.open() as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
        assert len(rows) == 6
        for row in rows:
            same = periods.prorated(D(row["monthly_amount"]), int(row["days"]), 31) == D(row["published"])
            assert same is (row["method"] == "actual days")

    @given(prices, st.integers(1, 31), st.integers(28, 31))
    def test_the_parts_are_the_whole_to_the_cent(self, amount, part, whole):
        part = min(part, whole)
        together = periods.prorated(amount, part, whole) + periods.prorated(amount, whole - part, whole)
        assert abs(together - amount) <= D("0.01")
        assert 0 <= periods.prorated(amount, part, whole) <= amount
        assert periods.prorated(amount, whole, whole) == amount

    @given(terms())
    def test_is_whole_for_a_whole_period_and_its_share_for_a_bridge(self, segments):
        for n in range(LOOKED_AT):
            holds = next(each for each in reversed(segments) if each.first_period <= n)
            billed = period_at(segments, n)
            for amount, whole in ((billed.rent, holds.rent), (billed.protection, holds.protection)):
                share = cents(whole * billed.days / billed.natural_days)
                assert amount == (share if billed.is_part else whole)

    @pytest.mark.parametrize(
        ("starts_on", "options", "bills"),
        [
            ("2026-08-20", {}, "Aug 20 31.00, Sep 20 31.00, Oct 20 31.00"),
            ("2026-01-31", {}, "Jan 31 31.00, Feb 28 31.00, Mar 31 31.00"),
            ("2026-08-20", {"due_day": 1}, "Aug 20 12.00, Sep 01 31.00, Oct 01 31.00"),
            ("2026-08-20", {"due_day": 20}, "Aug 20 31.00, Sep 20 31.00, Oct 20 31.00"),
            ("2026-08-31", {"due_day": 1}, "Aug 31 1.03, Sep 01 31.00, Oct 01 31.00"),
            ("2026-08-20", {"intro_months": 3, "intro_rent": D(45)}, "Aug 20 45.00, Nov 20 31.00, Dec 20 31.00"),
            ("2026-08-20", {"intro_months": 3}, "Aug 20 93.00, Nov 20 31.00, Dec 20 31.00"),
            ("2026-08-20", {"intro_months": 3, "intro_rent": D(45), "due_day": 1}, "Aug 20 45.00, Nov 20 11.37, Dec 01 31.00"),
        ],
    )
    def test_worked(self, starts_on, options, bills):
        """Common practice, no source: 31.00 a month; 12 of 31 days are 12.00, 11 of 30 are 11.37, 1 of 31 (to Sep 30) is 1.03."""
        segments = first(date.fromisoformat(starts_on), **options)
        billed = [period_at(segments, n) for n in range(3)]
        assert ", ".join(f"{each.begins_on:%b %d} {each.rent:.2f}" for each in billed) == bills


class TestMovedDueDay:
    @given(terms(), st.integers(0, 12), due_days)
    def test_leaves_what_comes_before_alone_and_then_keeps_to_the_day(self, segments, n, due_day):
        moved = periods.moved_due_day(segments, n, due_day)
        n = periods.past_introduction(segments, n)
        assert [period_at(moved, each) for each in range(n)] == [period_at(segments, each) for each in range(n)]
        assert period_at(moved, n).begins_on == period_at(segments, n).begins_on
        assert all(period_at(moved, n + later).begins_on.day == due_day for later in range(1, 14))

    @given(days, prices, st.none() | prices, st.sampled_from([1, 3, 12]), due_days, st.booleans())
    def test_leaves_an_introduction_whole_and_bridges_after_it(self, starts_on, rent, price, months, due_day, protected):
        segments = first(starts_on, rent=rent, intro_months=months, intro_rent=price)
        segments = periods.with_protection(segments, 0, D("4.75")) if protected else segments
        moved = periods.moved_due_day(segments, 0, due_day)
        assert period_at(moved, 0) == period_at(segments, 0)
        after = period_at(moved, 1)
        assert after.rent == cents(rent * after.days / after.natural_days)
        assert period_at(moved, 2).begins_on.day == due_day

    def test_refuses_a_day_that_not_every_month_has(self):
        with pytest.raises(ValueError, match="1 to 28, not 29"):
            periods.moved_due_day(first(date(2026, 8, 20)), 1, 29)


class TestWithProtection:
    @given(terms(), st.integers(0, 12), prices)
    def test_changes_protection_from_then_on_and_no_day_or_rent(self, segments, n, protection):
        changed = periods.with_protection(segments, n, protection)
        for each in range(LOOKED_AT):
            was, now = period_at(segments, each), period_at(changed, each)
            assert (now.begins_on, now.until_on, now.rent) == (was.begins_on, was.until_on, was.rent)
            assert each >= n or now.protection == was.protection
            assert each < n or now.is_part or now.protection == protection * now.months


class TestContinued:
    @given(terms(), st.integers(0, 12), prices, prices)
    def test_goes_on_with_the_same_days_at_other_prices(self, segments, n, rent, protection):
        goes_on = periods.continued(segments, n, rent, protection)
        for later in range(LOOKED_AT - 12):
            was, now = period_at(segments, n + later), period_at(goes_on, later)
            assert (now.begins_on, now.until_on) == (was.begins_on, was.until_on)
            assert now.is_part or (now.rent, now.protection) == (rent * now.months, protection * now.months)


class TestCut:
    @given(terms(), st.integers(0, 12), st.integers(-3, 400))
    def test_gives_the_share_of_the_days_had_and_never_less_than_one(self, segments, n, day):
        whole = period_at(segments, n)
        cut = whole.cut(whole.begins_on + timedelta(days=day))
        assert 1 <= cut.days <= whole.days
        assert cut.begins_on == whole.begins_on
        assert cut.rent <= whole.rent
        assert cut.days < whole.days or cut.rent == whole.rent
        assert cut.rent == cents(whole.whole_rent * cut.days / cut.natural_days)
        assert cut.protection == cents(whole.whole_protection * cut.days / cut.natural_days)


class TestMinimumUntil:
    @pytest.mark.parametrize(
        ("starts_on", "ends", "until"),
        [
            ("2026-09-04", 5, "2027-06-01"),
            ("2027-04-30", 5, "2027-06-01"),
            ("2027-05-01", 5, "2028-06-01"),
            ("2026-09-04", 12, "2027-01-01"),
            ("2026-12-01", 12, "2028-01-01"),
            ("2027-09-04", 2, "2028-03-01"),
        ],
    )
    def test_is_the_day_after_the_school_year(self, starts_on, ends, until):
        found = periods.minimum_until(date.fromisoformat(starts_on), "school_year", ends)
        assert found == date.fromisoformat(until)

    def test_is_nothing_without_one(self):
        assert periods.minimum_until(date(2026, 9, 4), "none", 5) is None

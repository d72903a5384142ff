"""The rules of earning as worked tables, and what must hold whatever comes in."""

import datetime
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.earning import advice, rules, spans
from billing.earning.rules import Stay, Use

D = Decimal


def day(month, number, year=2026):
    return datetime.date(year, month, number)


MARCH = (day(3, 1), day(4, 1))


class TestShareRent:
    # Rent of March, 31 days. Who was on the agreement, and what each earned of 31.00.
    TABLE = [
        ("one all month", [Stay(1, day(2, 1), None)], {1: "31.00"}),
        ("one that came late and went early", [Stay(1, day(3, 9), day(3, 12))], {1: "31.00"}),
        ("exchanged on the eleventh, which counts for the new one",
         [Stay(1, day(2, 1), day(3, 11)), Stay(2, day(3, 11), None)], {1: "10.00", 2: "21.00"}),
        ("three in one month", [Stay(1, day(1, 1), day(3, 2)), Stay(2, day(3, 2), day(3, 22)), Stay(3, day(3, 22), None)],
         {1: "1.00", 2: "20.00", 3: "10.00"}),
        ("a week with none between counts for nobody", [Stay(1, day(2, 1), day(3, 11)), Stay(2, day(3, 22), None)],
         {1: "15.50", 2: "15.50"}),
        ("the same one before and after",
         [Stay(1, day(2, 1), day(3, 11)), Stay(2, day(3, 11), day(3, 21)), Stay(1, day(3, 21), None)],
         {1: "21.00", 2: "10.00"}),
        ("none in the month: the last before", [Stay(1, day(1, 1), day(1, 9)), Stay(2, day(1, 9), day(2, 20))], {2: "31.00"}),
        ("none in the month, none before: the first after", [Stay(1, day(5, 1), None), Stay(2, day(6, 1), None)], {1: "31.00"}),
        ("exchanged twice on one day",
         [Stay(1, day(2, 1), day(3, 11)), Stay(2, day(3, 11), day(3, 11)), Stay(3, day(3, 11), None)],
         {1: "10.00", 3: "21.00"}),
        ("nobody", [], {}),
    ]  # fmt: skip

    @pytest.mark.parametrize(("stays", "earned"), [row[1:] for row in TABLE], ids=[row[0] for row in TABLE])
    def test_by_days(self, stays, earned):
        shares = rules.share_rent(D("31.00"), *MARCH, stays)
        assert {each: str(share) for each, share in shares.items()} == earned

    def test_what_is_taken_back_is_shared_like_what_was_billed(self):
        stays = [Stay(1, day(2, 1), day(3, 8)), Stay(2, day(3, 8), day(3, 17)), Stay(3, day(3, 17), None)]
        billed, voided = (rules.share_rent(D(amount), *MARCH, stays) for amount in ("24.99", "-24.99"))
        assert {each: -share for each, share in voided.items()} == billed

    @given(
        st.decimals(min_value=-500, max_value=500, places=2),
        st.lists(st.tuples(st.integers(1, 4), st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=5),
    )
    def test_nothing_is_lost_to_the_cent(self, amount, drawn):
        begun, stays = day(2, 15), []
        for instrument, before, length in drawn:
            stays.append(Stay(instrument, begun + datetime.timedelta(before), begun + datetime.timedelta(before + length)))
            begun += datetime.timedelta(before + length)
        assert sum(rules.share_rent(amount, *MARCH, stays).values()) == amount


class TestUse:
    def test_is_days_out_of_days_fit_to_be_rented(self):
        assert Use(out=20, ready=5, bench=6).share == pytest.approx(0.8)
        assert Use(bench=30).share is None

    def test_a_month_is_the_calendars_average(self):
        # 400 Gregorian years have 146,097 days in 4,800 months.
        assert D(146097) / 4800 == rules.DAYS_A_MONTH
        assert Use(out=146097).months_out == pytest.approx(4800)


class TestPayback:
    MONTHS = [(day(month, 1), D("25.00")) for month in range(1, 13)]

    def test_names_the_month_in_which_the_cost_was_earned(self):
        found = rules.pay_back(D("100.00"), self.MONTHS, last_year=D("300.00"))
        assert (found.reached, found.earned, found.share, found.months_left) == (day(4, 1), D("300.00"), D(3), None)

    def test_tells_how_long_it_takes_at_the_pace_of_the_last_year(self):
        found = rules.pay_back(D("450.00"), self.MONTHS, last_year=D("300.00"))
        assert (found.reached, found.months_left) == (None, D("6.0"))

    def test_is_not_reached_when_rent_was_taken_back_below(self):
        months = [(day(1, 1), D(100)), (day(2, 1), D(-40)), (day(3, 1), D(45))]
        assert rules.pay_back(D(100), months, last_year=D(105)).reached == day(3, 1)
        assert rules.pay_back(D(100), months[:2], last_year=D(60)).reached is None

    def test_of_what_cost_nothing_or_earns_nothing_there_is_none(self):
        assert rules.pay_back(D(0), self.MONTHS, last_year=D(300)).reached is None
        assert rules.pay_back(D(100), [], last_year=D(0)).months_left is None
        assert rules.months_to_pay(D(0), D(10), 12) is None
        assert rules.months_to_pay(D(100), D(0), 12) is None

    def test_at_a_pace(self):
        # 400.00 at 20.00 a month.
        assert rules.months_to_pay(D("400.00"), D("240.00"), 12.0) == D("20.0")


class TestSpans:
    def test_a_season_is_july_to_june(self):
        season = spans.season(2025)
        assert (season.code, season.from_on, season.last_on) == ("season-2025", day(7, 1, 2025), day(6, 30))
        assert spans.season(1999).label == "Season 1999/00"

    def test_lists_what_can_be_chosen_the_running_season_first(self):
        codes = [span.code for span in spans.list_spans(day(5, 20, 2025), day(3, 10))]
        assert codes == ["season-2025", "season-2024", "year-2026", "year-2025", "all"]

    @given(st.dates(datetime.date(2000, 1, 1), datetime.date(2090, 1, 1)), st.integers(0, 2000))
    def test_seasons_meet_and_cover_all_days(self, first, days):
        today = first + datetime.timedelta(days)
        seasons = [span for span in spans.list_spans(first, today) if span.code.startswith("season")]
        assert seasons[0].from_on <= today < seasons[0].until_on
        assert seasons[-1].from_on <= first < seasons[-1].until_on
        assert all(later.from_on == earlier.until_on for later, earlier in pairwise(seasons))


CASE = {
    "repair": D(120), "rent": D("15.00"), "upkeep": D("1.00"), "months": 24, "used": D(260), "replacement": D(540),
    "book_value": D(180),
}  # fmt: skip


class TestAdvice:
    # 24 months at 14.00 are 336.00. As it is, it would sell for 260.00 less the repair.
    @pytest.mark.parametrize(
        ("changes", "word", "keep", "let_go"),
        [
            ({}, advice.REPAIR, "216.00", "140.00"),
            ({"repair": D(300)}, advice.TWICE, "36.00", "0.00"),
            ({"repair": D(336)}, advice.LET_GO, "0.00", "0.00"),
            ({"rent": D("8.00")}, advice.LET_GO, "48.00", "140.00"),
            ({"used": None}, advice.REPAIR, "216.00", "0.00"),
            ({"rent": None}, advice.UNKNOWN, "-120.00", "140.00"),
        ],
    )
    def test_weighs_both_sides(self, changes, word, keep, let_go):
        found = advice.advise(advice.Case(**{**CASE, **changes}))
        assert (found.word, str(found.keep), str(found.let_go)) == (word, keep, let_go)

    def test_shows_the_loss_in_the_books_which_decides_nothing(self):
        words = {advice.advise(advice.Case(**{**CASE, "book_value": value})).word for value in (None, D(0), D(5000))}
        assert words == {advice.REPAIR}
        assert advice.advise(advice.Case(**CASE)).loss == D("40.00")

    @given(st.decimals(0, 3000, places=2), st.decimals(0, 500, places=2), st.decimals(0, 900, places=2))
    def test_a_dearer_repair_never_speaks_for_repairing(self, repair, more, used):
        order = {advice.REPAIR: 2, advice.TWICE: 1, advice.LET_GO: 0}
        cheap, dear = (
            advice.advise(advice.Case(**{**CASE, "repair": cost, "used": used})).word for cost in (repair, repair + more)
        )
        assert order[dear] <= order[cheap]

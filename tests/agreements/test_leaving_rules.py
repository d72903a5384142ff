"""Rules of leaving: how long credit waits, what is left of it, what proved unpaid, rent of a minimum term. Properties."""

import datetime
from decimal import Decimal

from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from rentals.agreements import periods, rules
from rentals.counter.life.leaving import Loss, answer_for

D = Decimal
days = st.dates(datetime.date(2024, 1, 1), datetime.date(2032, 12, 31))
amounts = st.decimals(0, 9999, places=2)
positive = st.decimals(1, 999, places=2)


class TestCreditLivesUntil:
    @given(days, st.integers(0, 36))
    def test_is_the_calendars_month_or_the_sixtieth_day(self, ended_on, months):
        until = rules.credit_lives_until(ended_on, months)
        assert until == max(ended_on + relativedelta(months=months), ended_on + datetime.timedelta(days=60))

    @given(days, st.integers(0, 36))
    def test_never_shortens_with_more_months(self, ended_on, months):
        assert rules.credit_lives_until(ended_on, months + 1) >= rules.credit_lives_until(ended_on, months)


class TestCreditLeft:
    @given(
        amounts, st.sampled_from(["", "returned", "written_off", "bought", "stepped_up", "exchanged", "lost", "gone on"]), days
    )
    def test_is_all_or_nothing(self, earned, end, on):
        until = datetime.date(2028, 6, 30)
        left = rules.credit_left(earned, end, until, on)
        waits = end in {"returned", "written_off"} and on <= until
        assert left == (earned if not end or waits else 0)


class TestCreditShort:
    @given(amounts, amounts)
    def test_is_what_was_used_and_is_not_earned(self, used, earned):
        short = rules.credit_short(used, earned)
        assert 0 <= short <= used
        assert (short == 0) == (used <= earned)
        assert used - short <= max(earned, used) and used - short == min(used, earned)


class TestRentBetween:
    def terms(self, starts_on, rent):
        return periods.first_segments(starts_on=starts_on, rent=rent, protection=D(0))

    @given(days, positive, st.integers(0, 24), st.integers(0, 24))
    def test_of_whole_periods_is_their_rent(self, starts_on, rent, first, count):
        terms = self.terms(starts_on, rent)
        begin, end = (periods.period_at(terms, n).begins_on for n in (first, first + count))
        assert periods.rent_between(terms, begin, end) == rent * count

    @given(days, positive, st.lists(st.integers(0, 400), min_size=3, max_size=3))
    def test_parts_make_the_whole_but_for_a_cent_where_a_period_is_cut(self, starts_on, rent, steps):
        terms = self.terms(starts_on, rent)
        a, b, c = (starts_on + datetime.timedelta(days=n) for n in sorted(steps))
        parts = periods.rent_between(terms, a, b) + periods.rent_between(terms, b, c)
        assert abs(parts - periods.rent_between(terms, a, c)) <= D("0.01")

    @given(days, positive)
    def test_backwards_is_nothing(self, starts_on, rent):
        assert periods.rent_between(self.terms(starts_on, rent), starts_on + datetime.timedelta(days=9), starts_on) == 0


class TestAnswerFor:
    @given(
        st.sampled_from(["lost", "stolen", "destroyed"]),
        st.sampled_from(["", "26-1"]),
        st.booleans(),
        st.booleans(),
        amounts,
        amounts,
    )
    def test_never_asks_for_more_than_the_instrument_is_worth(self, kind, police, covered, protected, deductible, value):
        loss = Loss(kind, datetime.date(2026, 3, 1), police_report_number=police, is_covered=covered)
        answer = answer_for(loss, had_protection=protected, deductible=deductible, replacement_value=value)
        assert 0 <= answer.owed <= value
        assert answer.is_protected == (protected and covered and (kind != "stolen" or police != ""))
        assert answer.owed == (min(deductible, value) if answer.is_protected else value)

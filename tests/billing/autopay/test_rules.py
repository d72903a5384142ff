"""Routing numbers and banking days against published tables."""

import datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum.us import rtn

from billing.autopay import codes, rules
from tests.billing.autopay.files import table

DAYS = st.dates(datetime.date(2025, 1, 1), datetime.date(2028, 12, 31))


class TestRoutingNumber:
    @pytest.mark.parametrize("row", table("routing_numbers.csv"), ids=lambda row: row["number"] or "empty")
    def test_agrees_with_the_table(self, row):
        """Nacha 2013, appendix 3; what passes the checksum alone is refused by its first two digits, where they say so."""
        fits = row["expected"] == "valid" or row["number"] == "123123123"
        if fits:
            assert rules.clean_routing_number(row["number"]) == row["number"]
        else:
            with pytest.raises(rules.RoutingNumberError):
                rules.clean_routing_number(row["number"])

    @given(st.text("0123456789", min_size=9, max_size=9))
    def test_checks_the_digit_as_another_library_does(self, digits):
        assert (rules.check_digit(digits[:8]) == int(digits[8])) == rtn.is_valid(digits)

    @given(st.text("0123456789", min_size=8, max_size=8), st.integers(0, 7), st.integers(1, 9))
    def test_one_wrong_digit_never_passes(self, eight, place, off):
        whole = eight + str(rules.check_digit(eight))
        wrong = whole[:place] + str((int(whole[place]) + off) % 10) + whole[place + 1 :]
        assert rules.check_digit(wrong[:8]) != int(wrong[8])

    def test_says_what_is_wrong_and_not_what_was_typed(self):
        with pytest.raises(rules.RoutingNumberError, match="nine digits, this one has 8") as refused:
            rules.clean_routing_number("11100002")
        assert "11100002" not in str(refused.value)

    def test_takes_blanks_and_dashes(self):
        assert rules.clean_routing_number(" 0764-01251 ") == "076401251"


class TestBankingDays:
    def test_are_those_of_the_reserve_banks(self):
        """Federal Reserve K.8: 39 weekdays closed in four years, none more, and the Friday before a Saturday holiday is open."""
        closed = {row["reserve_banks_closed_on"] for row in table("fed_holidays.csv")} - {""}
        day, found = datetime.date(2025, 1, 1), set()
        while day.year < 2029:
            if day.weekday() < 5 and not rules.is_banking_day(day):
                found.add(day.isoformat())
            day += rules.DAY
        assert found == closed
        assert len(found) == 39
        assert rules.is_banking_day(datetime.date(2026, 7, 3))

    @pytest.mark.parametrize("row", table("ach_dates.csv"), ids=lambda row: f"{row['rule'][:24]} {row['base_date']}")
    def test_agree_with_dates_worked_out_by_hand(self, row):
        base = datetime.date.fromisoformat(row["base_date"])
        assert _by_rule(row["rule"])(base) == datetime.date.fromisoformat(row["result"])

    @given(DAYS, st.integers(1, 8))
    def test_the_nth_lies_so_many_banking_days_on(self, day, count):
        found = rules.banking_day_after(day, count)
        between = [day + n * rules.DAY for n in range(1, (found - day).days + 1)]
        assert sum(map(rules.is_banking_day, between)) == count
        assert rules.is_banking_day(found)

    @given(DAYS, DAYS)
    def test_a_debit_settles_on_a_banking_day_after_it_left_and_never_early(self, sent_on, wanted_on):
        found = rules.effective_on(sent_on=sent_on, wanted_on=wanted_on)
        assert rules.is_banking_day(found)
        assert found > sent_on
        assert found >= wanted_on


def _by_rule(text):
    for begins, rule in {
        "return due, two": lambda day: rules.return_due(day, within_sixty_days=False),
        "return due, 60": lambda day: rules.return_due(day, within_sixty_days=True),
        "first live": rules.live_after_prenote,
        "NOC": rules.correction_due,
        "re-initiation": rules.latest_retry,
        "dishonour": lambda day: rules.banking_day_after(day, 5),
        "latest written": rules.latest_notice,
        "latest notice of a changed": lambda day: day - 7 * rules.DAY,
        "processing": rules.banking_day_before,
        "effective": rules.on_or_after,
    }.items():
        if text.startswith(begins):
            return rule
    raise LookupError(text)


class TestRates:
    """The lines of the network: 0.5 %, 3 %, 15 % (2015); 2,000 debits, worked out by hand."""

    @pytest.mark.parametrize(
        ("group", "returned", "percent", "alarm"),
        [
            (codes.UNAUTHORISED, 9, "0.450%", False),
            (codes.UNAUTHORISED, 10, "0.500%", True),
            (codes.UNAUTHORISED, 11, "0.550%", True),
            (codes.ADMINISTRATIVE, 59, "2.950%", False),
            (codes.ADMINISTRATIVE, 60, "3.000%", True),
            (codes.OVERALL, 299, "14.950%", False),
            (codes.OVERALL, 300, "15.000%", True),
        ],
    )
    def test_alarm_at_the_line(self, group, returned, percent, alarm):
        rate = rules.Rate(group, returned, 2000, codes.LIMITS[group])
        assert (rate.percent, rate.is_at_line) == (percent, alarm)
        assert rate.share == Fraction(returned, 2000)

    def test_no_debits_no_alarm(self):
        assert not rules.Rate("overall", 0, 0, 150).is_at_line

    def test_never_look_better_than_they_are(self):
        assert rules.Rate("unauthorised", 1, 3000, 5).percent == "0.034%"


class TestCodes:
    @pytest.mark.parametrize("row", table("return_codes.csv"), ids=lambda row: row["code"])
    def test_say_what_the_rules_say(self, row):
        """Nacha 2013, appendix 4: which may be presented again, and which rate counts them."""
        reason = codes.reason_of(row["code"])
        if row["code"] != "R13":  # from memory
            assert row["code"] in codes.REASONS
        assert reason.may_retry == row["originator_next_step"].startswith("re-initiate at most twice")
        if row["return_rate_class"] in {"unauthorised", "administrative"}:
            assert reason.group == row["return_rate_class"]
            assert reason.stops
        else:
            assert reason.group == codes.OVERALL

    def test_unauthorised_ones_are_those_of_the_network(self):
        assert {r.code for r in codes.REASONS.values() if r.group == codes.UNAUTHORISED} == {
            "R05",
            "R07",
            "R10",
            "R11",
            "R29",
            "R51",
        }

    def test_changes_are_those_of_the_rules(self):
        assert set(codes.CHANGES) == {row["code"] for row in table("change_codes.csv")}

    def test_an_unknown_code_stops(self):
        assert codes.reason_of("R99").stops

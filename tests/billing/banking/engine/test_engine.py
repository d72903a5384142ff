"""What the engine makes of lines: by evidence or not at all, each open item once. Rules: common practice, no source."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.banking import engine
from billing.banking.engine import Books, Family, Fee, Item, reading
from billing.banking.engine.evidence import Key, Name
from billing.banking.engine.words import Neighbours, is_slip

DAY = 739_700
# Two hundred families whose names and sums say little, so that chance can be told.
OTHERS = {n: Family(n, ((f"GIVEN{chr(65 + n % 26)}", f"OTHER{chr(65 + n % 7)}"),), (f"H-{n:05}",)) for n in range(1000, 1200)}
OTHER_ITEMS = [Item(n, 1000 + n % 97, DAY, n) for n in OTHERS]


def books(*families, items=(), fees=(), remembered=None):
    everybody = {**OTHERS, **{each.key: each for each in families}}
    return Books([*items, *OTHER_ITEMS], everybody, fees, remembered or {})


RIVERA = Family(1, (("MARIA", "RIVERA"), ("LUCA", "RIVERA")), ("H-00412",))
NAMESAKE = Family(2, (("MARIO", "RIVERA"),), ("H-00500",))
OWED = Item(1, 2665, DAY, 1, ("A-000077",))


def line(text, cents=2665, key=1, day=DAY + 3):
    return reading.read(key=key, cents=cents, day=day, text=text)


def one(text, the_books, **options):
    return engine.match([line(text, **options)], the_books)[1]


class TestCertain:
    @pytest.mark.parametrize(
        ("text", "key", "name"),
        [
            ("RENT H-00412", Key.NUMBER, Name.NONE),
            ("RENT a 000077", Key.NUMBER, Name.NONE),
            ("GRANDPA JOE H-00412", Key.NUMBER, Name.NONE),
            ("TRANSFER FROM MARIA RIVERA", Key.NONE, Name.FULL),
            ("RIVERA LUCA", Key.NONE, Name.FULL),
            ("M RIVERA", Key.NONE, Name.INITIAL),
            ("WEB PMT RIVERA", Key.NONE, Name.LAST),
            ("MARIA RIVEIRA", Key.NONE, Name.FULL_NEAR),
            ("MARIA RIEVRA", Key.NONE, Name.FULL_NEAR),
            ("MARIA RIVERA H-00421", Key.SLIP, Name.FULL),
        ],
    )
    def test_by_what_speaks_for_it(self, text, key, name):
        found = one(text, books(RIVERA, items=[OWED])).certain
        assert found is not None
        assert (found.family, found.key, found.name) == (1, key, name)

    @pytest.mark.parametrize("text", ["JOHN RIVERA", "RIVEIRA", "MARIA", "TRANSFER", "MARIA VEGA", "H-00421"])
    def test_not_by_less(self, text):
        assert one(text, books(RIVERA, items=[OWED])).certain is None

    def test_not_by_a_number_with_another_amount(self):
        assert one("H-00412", books(RIVERA, items=[OWED]), cents=2664).certain is None

    def test_not_by_name_where_two_fit(self):
        both = books(RIVERA, NAMESAKE, items=[OWED, Item(2, 2665, DAY, 2)])
        assert one("M RIVERA", both).certain is None
        assert [each.family for each in one("M RIVERA", both).candidates] == [1, 2]
        assert one("MARIA RIVERA", both).certain.family == 1

    def test_not_where_name_and_sum_are_common(self):
        many = [Family(n, ((f"ANN{n}", "RIVERA"),)) for n in range(10, 60)]
        rest = [Item(n, 2665, DAY, n) for n in OTHERS if n % 2]
        crowd = Books([OWED, *rest], {**OTHERS, 1: RIVERA, **{each.key: each for each in many}})
        found = one("RIVERA", crowd)
        assert found.candidates[0].family == 1
        assert found.certain is None

    def test_by_a_payer_who_is_remembered(self):
        known = books(RIVERA, items=[OWED], remembered={"GRANDPA JOE": (1,)})
        assert one("GRANDPA JOE 0007", known).certain.key is Key.PAYER
        assert one("GRANDPA JOE 0007", known, cents=2000).certain is None

    def test_not_where_a_remembered_payer_contradicts_the_name(self):
        known = books(RIVERA, NAMESAKE, items=[OWED, Item(2, 3000, DAY, 2)], remembered={"MARIA RIVERA": (2,)})
        assert one("MARIA RIVERA", known).certain is None

    def test_not_long_after_it_was_due(self):
        assert one("MARIA RIVERA H-00412", books(RIVERA, items=[OWED]), day=DAY + 100).certain is None


class TestSums:
    ITEMS = [OWED, Item(2, 1000, DAY, 1), Item(3, 1535, DAY + 14, 1), Item(4, 777, DAY - 30, 1)]

    @pytest.mark.parametrize(("cents", "keys"), [(3665, {1, 2}), (5200, {1, 2, 3}), (5977, {1, 2, 3, 4})])
    def test_of_two_to_four_of_one_family(self, cents, keys):
        found = one("MARIA RIVERA", books(RIVERA, items=self.ITEMS), cents=cents).certain
        assert {item.key for item in found.way.items} == keys

    def test_less_what_a_processor_kept(self):
        found = one("CARD PAYOUT MARIA RIVERA", books(RIVERA, items=[OWED], fees=[Fee(290, 30)]), cents=2665 - 107).certain
        assert (found.fee_cents, sum(item.cents for item in found.way.items)) == (107, 2665)

    @given(st.integers(100, 1_000_000), st.integers(1, 500), st.integers(0, 99))
    def test_the_gross_is_found_again(self, gross, rate, fixed):
        fee = Fee(rate, fixed)
        again = fee.gross(gross - fee.kept(gross))
        assert again is not None
        assert again - fee.kept(again) == gross - fee.kept(gross)


class TestEachOnce:
    def test_two_lines_for_one_item_are_both_asked_about(self):
        lines = [line("MARIA RIVERA", key=1), line("MARIA RIVERA", key=2)]
        found = engine.match(lines, books(RIVERA, items=[OWED]))
        assert [found[key].certain for key in (1, 2)] == [None, None]

    def test_the_one_with_the_number_gets_it(self):
        lines = [line("MARIA RIVERA", key=1), line("H-00412", key=2)]
        found = engine.match(lines, books(RIVERA, items=[OWED]))
        assert found[1].certain is None
        assert found[2].certain.way.items == (OWED,)

    def test_what_one_line_takes_settles_another(self):
        both = books(RIVERA, NAMESAKE, items=[OWED, Item(2, 2665, DAY, 2)])
        found = engine.match([line("M RIVERA", key=1), line("H-00500", key=2)], both)
        assert (found[1].certain.family, found[2].certain.family) == (1, 2)

    @settings(max_examples=60, deadline=None)
    @given(st.lists(st.tuples(st.sampled_from(["MARIA RIVERA", "M RIVERA", "RIVERA", "H-00412", "H-00500", "X"]),
                              st.sampled_from([2665, 1000, 3665, 2558])), max_size=8))  # fmt: skip
    def test_no_item_serves_two_lines_and_every_sum_is_the_lines(self, told):
        lines = [line(text, cents, key) for key, (text, cents) in enumerate(told)]
        items = [OWED, Item(2, 1000, DAY, 1), Item(3, 2665, DAY, 2)]
        found = engine.match(lines, books(RIVERA, NAMESAKE, items=items, fees=[Fee(290, 30)]))
        certain = [(each.key, found[each.key].certain) for each in lines if found[each.key].certain]
        taken = [item.key for _key, candidate in certain for item in candidate.way.items]
        assert len(taken) == len(set(taken))
        for key, candidate in certain:
            assert sum(item.cents for item in candidate.way.items) - candidate.fee_cents == lines[key].cents


class TestWords:
    @pytest.mark.parametrize("slip", ["RIVRA", "RIVERRA", "RIVEEA", "RIEVRA", "IRVERA"])
    def test_one_slip_is_near(self, slip):
        assert Neighbours(["RIVERA", "VEGA"]).of(slip) == ("RIVERA",)

    @pytest.mark.parametrize("far", ["RIVERA", "VIERRA", "REVIRA", "VEG", ""])
    def test_what_is_the_same_or_farther_is_not(self, far):
        assert Neighbours(["RIVERA"]).of(far) == ()

    def test_a_number_with_two_digits_wrong_is_no_slip(self):
        assert not is_slip("H-00412", "H-00503")

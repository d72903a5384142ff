"""A family's whole bill until it owns the instrument: worked tables a bookkeeper can read, and what holds for any plan."""

import datetime
import doctest
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rentals.agreements import bills, periods, rules
from rentals.agreements.bills import Buying

D = Decimal
STARTS_ON = datetime.date(2026, 8, 20)

prices = st.decimals(1, 2000, places=2)
rents = st.decimals(10, 90, places=2)
shares = st.decimals("0.2", 1, places=4)
rates = st.decimals(0, "0.15", places=6)


@st.composite
def plans(draw) -> tuple[tuple[periods.Segment, ...], dict[str, Decimal], Buying]:
    """Terms of a new agreement, the taxes of its place, and how its rent leads to owning."""
    segments = periods.first_segments(
        starts_on=draw(st.dates(datetime.date(2024, 1, 1), datetime.date(2031, 12, 31))),
        rent=draw(rents),
        protection=draw(st.just(D(0)) | rents),
        intro_months=draw(st.sampled_from([0, 1, 3, 12])),
        intro_rent=draw(st.none() | rents),
        due_day=draw(st.none() | st.integers(1, 28)),
    )
    taxes = {"rent": draw(rates), "protection": draw(rates), "goods": draw(rates)}
    discount = draw(st.decimals(0, "0.5", places=4))
    return segments, taxes, Buying(draw(prices), draw(shares), draw(st.just(D(1)) | shares), discount)


def test_the_examples_in_the_docstrings():
    assert doctest.testmod(bills).failed == 0


class TestListBills:
    @given(plans())
    def test_credit_is_never_above_the_rent_paid_and_the_price_to_buy_never_below_nothing(self, plan):
        segments, taxes, buying = plan
        paid = D(0)
        for bill in bills.list_bills(segments, taxes, buying, 60):
            paid += bill.period.rent
            assert 0 <= bill.credit <= min(paid, buying.price)
            assert bill.price_to_buy >= 0
            assert bill.total == bill.rent_with_tax + bill.period.protection + bill.protection_tax

    @given(plans())
    def test_credit_only_grows_and_the_price_to_buy_only_falls(self, plan):
        for before, after in pairwise(bills.list_bills(*plan, 60)):
            assert after.credit >= before.credit
            assert after.price_to_buy <= before.price_to_buy
            assert after.due_on > before.due_on

    @given(plans())
    def test_ends_where_the_instrument_is_owned_and_counts_so_many(self, plan):
        segments, taxes, buying = plan
        count = bills.payments_until_owned(segments, buying)
        assume(count is None or count <= 200)
        made = bills.list_bills(segments, taxes, buying, 200)
        if count is None:
            assert buying.cap_share < 1
            assert made[-1].price_to_buy > 0 or buying.credit(D(10) ** 6) >= buying.price - D("0.01")
            return
        assert len(made) == count
        assert made[-1].price_to_buy == 0
        assert count == 1 or made[-2].credit < buying.price

    @given(plans(), st.booleans())
    def test_adds_up_to_what_is_told_beforehand(self, plan, with_protection):
        segments, taxes, buying = plan
        made = bills.list_bills(segments, taxes, buying, 60)
        told = bills.sum_until(segments, taxes, len(made), with_protection=with_protection)
        assert told == sum((bill.total if with_protection else bill.rent_with_tax for bill in made), D(0))

    def test_shows_no_more_than_asked(self):
        segments = periods.first_segments(starts_on=STARTS_ON, rent=D(1), protection=D(0))
        assert (
            len(
                bills.list_bills(
                    segments, dict.fromkeys(("rent", "protection", "goods"), D(0)), Buying(D(900), D(1), D(1), D(0)), 24
                )
            )
            == 24
        )

    def test_worked(self):
        """Common practice, no source: 60 in three months for 40, bridged to the first, then 30; all of it counts; 8.25 % tax."""
        segments = periods.first_segments(
            starts_on=STARTS_ON, rent=D(30), protection=D(5), intro_months=3, intro_rent=D(40), due_day=1
        )
        taxes = {"rent": D("0.0825"), "protection": D(0), "goods": D("0.0825")}
        made = bills.list_bills(segments, taxes, Buying(D(120), D(1), D(1), D("0.10")), 12)
        assert [
            (
                f"{b.due_on:%b %d}",
                str(b.period.rent),
                str(b.period.protection),
                str(b.tax),
                str(b.total),
                str(b.credit),
                str(b.price_to_buy),
            )
            for b in made
        ] == [
            # Aug 20 to Nov 20. Tax 40.00 x 0.0825 = 3.30. To buy: 80.00 less 10 % = 72.00, tax 5.94.
            ("Aug 20", "40", "15", "3.30", "58.30", "40.00", "77.94"),
            # 11 of 30 days to Dec 1: 11.00 and 1.83. To buy: 69.00 less 6.90 = 62.10, tax 5.12.
            ("Nov 20", "11.00", "1.83", "0.91", "13.74", "51.00", "67.22"),
            ("Dec 01", "30", "5", "2.48", "37.48", "81.00", "38.00"),
            ("Jan 01", "30", "5", "2.48", "37.48", "111.00", "8.77"),
            # The last one is whole: 9.00 was missing.
            ("Feb 01", "30", "5", "2.48", "37.48", "120.00", "0.00"),
        ]


class TestPaymentsUntilOwned:
    @pytest.mark.parametrize(
        ("price", "options", "buying", "count"),
        [
            ("900", {}, {}, 30),
            ("901", {}, {}, 31),
            ("900", {"due_day": 20}, {}, 30),
            ("900", {"due_day": 1}, {}, 31),
            ("900", {"intro_months": 3}, {}, 28),
            ("900", {"intro_months": 3, "intro_rent": D(45)}, {}, 30),
            ("40", {"intro_months": 3, "intro_rent": D(45)}, {}, 1),
            ("50", {"intro_months": 3, "intro_rent": D(45), "due_day": 1}, {}, 2),
            ("900", {}, {"share": D("0.6")}, 50),
            ("900", {}, {"share": D(0)}, None),
            ("900", {}, {"cap_share": D("0.9")}, None),
            ("0", {}, {}, 0),
        ],
    )
    def test_worked(self, price, options, buying, count):
        """30.00 a month from Aug 20, 2026; the bridge to Sep 1 has 12 of 31 days (11.61), the one from Nov 20 has 11.00."""
        segments = periods.first_segments(starts_on=STARTS_ON, rent=D(30), protection=D(0), **options)
        plain = {"share": D(1), "cap_share": D(1), "early_discount": D(0)}
        assert bills.payments_until_owned(segments, Buying(D(price), **{**plain, **buying})) == count

    @given(prices, rents, shares, st.decimals(0, 500, places=2))
    def test_more_months_are_the_first_that_cover_the_price(self, price, rent, share, paid):
        more = rules.months_until_owned(price, rent, share, D(1), paid)
        assert more is not None
        assert rules.rent_credit(paid + rent * more, share, price) >= price
        assert more == 0 or rules.rent_credit(paid + rent * (more - 1), share, price) < price

"""What a family is told: the price of its plan and condition, every payment until it owns the instrument, and nothing hidden."""

import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rentals.agreements import quotes
from rentals.agreements.models import Plan, PlanVersion, Rate, TaxArea
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.money import money

D = Decimal
TAXED = {"rent": D("0.0825"), "protection": D("0.0825"), "goods": D("0.0825")}


def quote(**changes) -> quotes.Quote:
    """A quote of 30.00 a month, 5.00 protection, 900.00 to buy, from Aug 20, 2026."""
    plan = {name: changes.pop(name) for name in list(changes) if name in {field.name for field in PlanVersion._meta.fields}}
    rate = {name: changes.pop(name) for name in ("monthly_rent", "monthly_protection", "intro_rent") if name in changes}
    version = PlanVersion(**{"plan": Plan(code="one"), "title": "One", "terms": "Words.", **plan})
    item = CatalogueItem(purchase_price=money(changes.pop("price", 900)), replacement_value=money(850))
    line = Rate(
        **{"monthly_rent": money(30), "monthly_protection": money(5), **{name: money(value) for name, value in rate.items()}}
    )
    facts = {"protection": False, "goods": (), "tax_area": TaxArea(code="here"), "tax_rates": TAXED}
    facts |= {"starts_on": datetime.date(2026, 8, 20)}
    return quotes.make_quote(**{**facts, "item": item, "plan_version": version, "rate": line, **changes})


def line(plan: str | None, condition: str) -> Rate:
    return Rate(plan=Plan(code=plan) if plan else None, condition=condition)


class TestPickRate:
    LINES = (line(None, "any"), line(None, "new"), line("one", "any"), line("one", "returned"), line("two", "new"))

    @pytest.mark.parametrize(
        ("plan", "condition", "place"),
        [
            ("one", "new", 2),
            ("one", "returned", 3),
            ("two", "new", 4),
            ("two", "returned", 0),
            ("three", "new", 1),
            ("", "returned", 0),
        ],
    )
    def test_goes_by_plan_then_by_condition(self, plan, condition, place):
        for lines in (self.LINES, self.LINES[::-1]):
            assert quotes.pick_rate(lines, plan=plan, condition=condition) is self.LINES[place]

    def test_gives_none_where_nothing_fits(self):
        assert quotes.pick_rate([line("two", "any"), line(None, "new")], plan="one", condition="returned") is None

    @pytest.mark.parametrize(
        ("grade", "condition"), [("new", "new"), ("good", "returned"), ("worn", "returned"), ("poor", "returned")]
    )
    def test_an_instrument_that_was_out_is_returned_stock(self, grade, condition):
        assert quotes.condition_of(Instrument(grade=grade)) == condition


class TestPayments:
    def test_of_plain_months_are_one_line(self):
        made = quote()
        assert [(p.period.begins_on.isoformat(), p.amount, p.times) for p in made.payments] == [("2026-08-20", D("32.48"), 30)]
        assert (made.due_today, made.each_month, made.next_due_on) == (D("32.48"), D("32.48"), datetime.date(2026, 9, 20))
        assert (made.owned_on, made.total_to_own) == (datetime.date(2029, 1, 20), D("974.40"))

    def test_of_an_introduction_and_a_due_day_are_said_one_by_one(self):
        made = quote(intro_months=3, intro_rent=45, due_day=1)
        assert [(p.period.begins_on.isoformat(), str(p.amount), p.times) for p in made.payments] == [
            ("2026-08-20", "48.71", 1),
            ("2026-11-20", "11.91", 1),
            ("2026-12-01", "32.48", 29),
        ]
        assert [(each.description, each.amount) for each in made.due_today_lines] == [
            ("Rent, first 3 months", D("45.00")),
            ("Tax on rent", D("3.71")),
        ]
        assert made.months_from == datetime.date(2026, 12, 1)
        assert made.owned_on == datetime.date(2029, 4, 1)

    def test_go_on_without_end_where_rent_never_owns_it(self):
        made = quote(credit_cap=D("0.5"), due_day=1)
        assert [p.times for p in made.payments] == [1, None]
        assert (made.total_to_own, made.cost_of_renting, made.owned_on) == (None, None, None)
        assert made.price_left == D("450.00")

    def test_are_those_of_the_agreement_it_goes_on_from(self):
        before = quote(due_day=1)
        goes_on = quotes.first_segments(starts_on=datetime.date(2026, 9, 1), rent=D(30), protection=D(0))
        made = before.following(goes_on, minimum_until=None)
        assert (made.due_today, made.months_from) == (D(0), datetime.date(2026, 9, 1))
        assert made.brings_credit

    @given(
        st.sampled_from([0, 1, 3, 12]),
        st.none() | st.integers(1, 28),
        st.none() | st.decimals(5, 200, places=2),
        st.decimals(10, 90, places=2),
        st.booleans(),
        st.booleans(),
        st.dates(datetime.date(2024, 1, 1), datetime.date(2031, 12, 31)),
    )
    def test_add_up(self, intro, due_day, intro_rent, rent, protection, required, starts_on):
        intro_price = {} if intro_rent is None else {"intro_rent": intro_rent}
        made = quote(
            intro_months=intro,
            due_day=due_day,
            monthly_rent=rent,
            protection=protection,
            protection_required=required,
            starts_on=starts_on,
            **intro_price,
        )
        assert sum(p.times for p in made.payments) == made.payments_until_owned
        assert sum(p.to_own * p.times for p in made.payments) == made.total_to_own
        assert made.cost_of_renting == max(made.total_to_own - made.cash_price, D(0))
        assert made.payments[0].amount == made.due_today == sum(each.amount for each in made.first_lines)
        assert made.payments_until_owned < 2 + intro or made.payments[-1].amount == made.each_month


class TestProtection:
    def test_is_in_the_quote_of_a_plan_that_requires_it_whatever_was_answered(self):
        made = quote(protection_required=True)
        assert made.protection
        assert made.each_month == D("37.89")
        assert made.total_to_own == D("37.89") * 30

    def test_is_left_out_of_what_owning_costs_where_it_is_optional(self):
        assert quote(protection=True).total_to_own == quote().total_to_own

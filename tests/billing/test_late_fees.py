"""Late fees: the plan's, once per overdue rent, after the days of grace, never on fees, never for who is on hold."""

import datetime
from decimal import Decimal

import pytest
from djmoney.money import Money
from hypothesis import given
from hypothesis import strategies as st

from billing import charges, late_fees, payments, queries
from billing.models import Charge
from rentals.agreements.models import AgreementHold
from tests.billing.factories import DAY, NOON, AgreementFactory, PlanFactory, PlanVersionFactory

D = Decimal


@pytest.fixture
def late(bookkeeper):
    """Rent of 26.65, due January 31, on a plan with a late fee of 5.00 after more than 10 days."""
    plan = PlanFactory(code="with-late-fee")
    version = PlanVersionFactory(plan=plan, late_fee=Money("5.00", "USD"), grace_days=10)
    agreement = AgreementFactory(plan_version=version)
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    return agreement


def on(month, day):
    return datetime.date(2026, month, day)


def charge_all(today, bookkeeper):
    return late_fees.charge_late_fees(today=today, now=NOON, acting_user=bookkeeper)


def new_york_at_most(late_amount, days_late):
    """N.Y. Pers. Prop. Law 501 (month to month): after more than 7 days, at most the greater of 10 % and 5 dollars, once."""
    return max(D("5.00"), (late_amount / 10).quantize(D("0.01"))) if days_late > 7 else D("0.00")


class TestLateFee:
    # N.Y. Pers. Prop. Law 501, worked: on 32.48 nothing 7 days late, at most 5.00 at 8 days; on 80.00 at most 8.00.
    @pytest.mark.parametrize(
        ("late_amount", "days_late", "fee", "charged", "at_most"),
        [
            ("32.48", 7, "5.00", "0.00", "0.00"),
            ("32.48", 8, "5.00", "5.00", "5.00"),
            ("80.00", 7, "8.00", "0.00", "0.00"),
            ("80.00", 8, "8.00", "8.00", "8.00"),
            ("80.00", 8, "5.00", "5.00", "8.00"),
        ],
    )
    def test_keeps_within_new_yorks_limit(self, late_amount, days_late, fee, charged, at_most):
        made = late_fees.late_fee(late_amount=D(late_amount), days_late=days_late, grace_days=7, fee=D(fee))
        assert (made, new_york_at_most(D(late_amount), days_late)) == (D(charged), D(at_most))
        assert made <= D(at_most)

    @given(late_amount=st.decimals("0.01", "500", places=2), days=st.integers(0, 400), grace=st.integers(0, 60))
    def test_a_fee_of_five_dollars_is_never_above_it(self, late_amount, days, grace):
        made = late_fees.late_fee(late_amount=late_amount, days_late=days, grace_days=max(grace, 7), fee=D("5.00"))
        assert D(0) <= made <= min(late_amount, new_york_at_most(late_amount, days))

    def test_is_never_more_than_what_is_late(self):
        assert late_fees.late_fee(late_amount=D("0.03"), days_late=30, grace_days=10, fee=D("5.00")) == D("0.03")


class TestChargeLateFees:
    def test_charges_the_day_after_the_grace(self, late, bookkeeper):
        assert [charge_all(day, bookkeeper) for day in (on(2, 10), on(2, 11))] == [0, 1]
        fee = Charge.objects.get(kind="fee")
        assert (fee.late_for.period, fee.agreement, fee.due_on) == (0, late, on(2, 11))
        assert [str(line) for line in fee.lines.all()] == ["Late fee, rent due Jan 31, 2026 5.00"]

    def test_once_however_often_it_runs(self, late, bookkeeper):
        assert [charge_all(day, bookkeeper) for day in (on(2, 11), on(2, 12), on(4, 1))] == [1, 0, 0]

    def test_once_for_each_rent_and_never_on_a_fee(self, late, bookkeeper):
        charges.charge_period(agreement=late, period=1, acting_user=bookkeeper, now=NOON)
        assert charge_all(on(6, 1), bookkeeper) == 2
        assert charge_all(on(8, 1), bookkeeper) == 0

    def test_not_again_when_one_was_taken_back(self, late, bookkeeper):
        charge_all(on(2, 11), bookkeeper)
        charges.void_charge(charge=Charge.objects.get(kind="fee"), reason="Bank holiday", acting_user=bookkeeper, now=NOON)
        assert charge_all(on(2, 12), bookkeeper) == 0

    def test_nothing_by_default(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        assert charge_all(on(6, 1), bookkeeper) == 0

    def test_nothing_for_who_has_paid(self, late, bookkeeper):
        payments.record_payment(
            household=late.household, method="cash", amount=D("26.65"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        assert charge_all(on(6, 1), bookkeeper) == 0

    @pytest.mark.parametrize("kind", ["hold", "recall"])
    def test_nothing_for_a_family_on_hold(self, late, bookkeeper, kind):
        other = AgreementFactory(household=late.household)
        AgreementHold.objects.create(
            agreement=other, kind=kind, from_on=on(2, 1), reason="Hospital", made_at=NOON, made_by=bookkeeper
        )
        assert charge_all(on(6, 1), bookkeeper) == 0

    def test_the_list_shows_what_would_be_charged(self, late):
        due = late_fees.list_late_fees_due(today=on(2, 15))
        assert [(d.household_number, d.days_late, d.late_amount, d.fee) for d in due] == [
            (late.household.number, 15, D("26.65"), D("5.00"))
        ]

    def test_adds_no_tax_and_no_interest(self, late, bookkeeper):
        charge_all(on(2, 11), bookkeeper)
        assert queries.sum_balance(late.household_id) == D("31.65")

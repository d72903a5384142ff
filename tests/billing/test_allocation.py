"""Who pays what, against the real statement: for random families no cent is made or lost, whatever was released in between."""

from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from billing import allocation, charges, credits, payments, queries
from billing.models import Allocation, Charge, ChargeLine, CreditNote, Payment
from rentals.runtime.money import ZERO
from tests.billing.factories import DAY, NOON, AgreementFactory
from tests.factories import BookkeeperFactory

D = Decimal
AMOUNT = st.decimals(min_value="0.01", max_value="60.00", places=2)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("fee"), AMOUNT),
        st.tuples(st.just("rent"), st.integers(0, 3)),
        st.tuples(st.just("pay"), AMOUNT),
        st.tuples(st.just("credit"), AMOUNT),
        st.tuples(st.just("bounce"), st.integers(0, 9)),
        st.tuples(st.just("void charge"), st.integers(0, 9)),
        st.tuples(st.just("void credit"), st.integers(0, 9)),
    ),
    min_size=1,
    max_size=14,
)


class Family:
    """A household that does what it is told, if that is possible."""

    def __init__(self):
        self.agreement = AgreementFactory()
        self.household, self.acts = self.agreement.household, {"acting_user": BookkeeperFactory(), "now": NOON}

    def do(self, step, value):
        getattr(self, step.replace(" ", "_"))(value)

    def fee(self, amount):
        charges.charge_fee(household=self.household, on=DAY, description="Fee", amount=amount, **self.acts)

    def rent(self, period):
        if not Charge.objects.filter(agreement=self.agreement, period=period, void_entry=None).exists():
            charges.charge_period(agreement=self.agreement, period=period, **self.acts)

    def pay(self, amount):
        payments.record_payment(household=self.household, method="cash", amount=amount, received_on=DAY, **self.acts)

    def credit(self, amount):
        about = self.agreement if amount > 30 else None
        credits.write_credit_note(
            household=self.household, agreement=about, kind="adjustment", amount=amount, reason="Test", on=DAY, **self.acts
        )

    def bounce(self, which):
        for payment in Payment.objects.filter(household=self.household, payment_return=None).order_by("pk")[which : which + 1]:
            payments.return_payment(payment=payment, reason="Other", returned_on=DAY, **self.acts)

    def void_charge(self, which):
        for charge in Charge.objects.filter(household=self.household, void_entry=None).order_by("pk")[which : which + 1]:
            charges.void_charge(charge=charge, reason="Test", **self.acts)

    def void_credit(self, which):
        for note in CreditNote.objects.filter(household=self.household, void_entry=None).order_by("pk")[which : which + 1]:
            credits.void_credit_note(credit_note=note, reason="Test", **self.acts)


def total(rows, field="amount"):
    return rows.aggregate(sum=Sum(field))["sum"] or ZERO


def unused(household):
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT coalesce(sum(unused), 0) FROM ({allocation.UNUSED_MONEY}) u", {"households": [household.pk]})
        return cursor.fetchone()[0]


def hold(household):
    """The invariants of one household's allocations."""
    in_force = Allocation.objects.filter(line__charge__household=household, released_at=None)
    good = Payment.objects.filter(household=household, payment_return=None)
    notes = CreditNote.objects.filter(household=household, void_entry=None)
    lines = ChargeLine.objects.filter(charge__household=household, charge__void_entry=None)
    allocated, rest, still_open = total(in_force), unused(household), queries.sum_open_lines(household.pk)
    assert allocated + rest == total(good) + total(notes)
    assert allocated + still_open == total(lines)
    assert rest == 0 or still_open == 0
    assert not in_force.exclude(line__in=lines).exists()
    for line in lines:
        assert total(in_force.filter(line=line)) <= line.amount
    for source in (*good, *notes):
        assert total(source.allocations.filter(released_at=None)) <= source.amount
    assert still_open - rest == queries.sum_balance(household.pk)
    return allocated


@pytest.mark.django_db
class TestApplyCredit:
    @settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
    @given(steps=STEPS)
    def test_conserves_cents(self, steps):
        with transaction.atomic():
            family = Family()
            for step, value in steps:
                family.do(step, value)
                hold(family.household)
            transaction.set_rollback(True)

    @settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
    @given(first=STEPS, second=STEPS)
    def test_families_at_once_are_as_one_by_one(self, first, second):
        with transaction.atomic():
            families = [Family(), Family()]
            for family, steps in zip(families, (first, second), strict=True):
                for step, value in steps:
                    family.do(step, value)
            before = [hold(family.household) for family in families]
            allocation.apply_credit(household_ids=[family.household.pk for family in families], now=NOON)
            assert [hold(family.household) for family in families] == before
            transaction.set_rollback(True)

    # Worked by hand: 20.00 rent + 1.65 tax + 5.00 protection, then a fee of 4.00; money is used before credit.
    @pytest.mark.parametrize(
        ("paid", "credited", "expected"),
        [
            ("10.00", "10.00", [("money", "Rent", "10.00"), ("credit", "Rent", "10.00")]),
            (
                "21.65",
                "5.00",
                [("money", "Rent", "20.00"), ("money", "Sales tax on rent", "1.65"), ("credit", "Protection", "5.00")],
            ),
            ("0.01", "0.01", [("money", "Rent", "0.01"), ("credit", "Rent", "0.01")]),
        ],
    )
    def test_worked_table(self, paid, credited, expected):
        family = Family()
        family.credit(D(credited))
        family.pay(D(paid))
        family.rent(0)
        rows = Allocation.objects.filter(released_at=None).order_by("line__position", "id").select_related("line")
        assert [("credit" if a.credit_note_id else "money", a.line.description, str(a.amount)) for a in rows] == expected

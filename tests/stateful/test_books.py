"""The books under anything in any order: charges, payments, returns, voids, deposits, runs and closed months.

A model keeps what every household should owe in plain Python; the database must agree, and hold every invariant, after each step.
"""

import datetime
from decimal import Decimal

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from billing import charges, credits, deposits, ledger, months, payments, queries, refunds, runs, verify
from billing.models import BillingRun, Charge, ChargeLine, ClosedMonth, CreditNote, JournalEntry, Payment
from rentals.runtime.money import CENT, ZERO, cents
from tests.billing.factories import AgreementFactory, FollowingAgreementFactory
from tests.factories import BookkeeperFactory

BEGAN = datetime.date(2026, 1, 31)
AMOUNTS = st.decimals(min_value="0.01", max_value="80.00", places=2)
# What the rooms around keep is tested where it is made; here are the checks that these steps could break.
CHECKS = [check for check in verify.CHECKS if check.invariant not in {5, 9, 10, 11}]


class Books(RuleBasedStateMachine):
    """An office with three households and a clock that only goes forward."""

    made_charges = Bundle("charges")
    made_payments = Bundle("payments")
    on_hand = Bundle("on_hand")
    made_credits = Bundle("credits")

    def __init__(self):
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        self.clerk = BookkeeperFactory()
        self.agreements = [AgreementFactory(starts_on=BEGAN) for _ in range(2)]
        follower = FollowingAgreementFactory(follows=self.agreements[0], starts_on=BEGAN)
        self.agreements.append(follower)
        self.households = [self.agreements[0].household, self.agreements[1].household]
        self.today = BEGAN
        self.owed = {household.pk: ZERO for household in self.households}
        self.money = {household.pk: ZERO for household in self.households}
        self.closed = None

    def teardown(self):
        transaction.set_rollback(True)
        self.atomic.__exit__(None, None, None)

    @property
    def now(self):
        return datetime.datetime.combine(self.today, datetime.time(18), tzinfo=datetime.UTC)

    @property
    def acts(self):
        return {"acting_user": self.clerk, "now": self.now}

    def charged(self, charge):
        amount = sum(line.amount for line in charge.lines.all())
        self.owed[charge.household_id] += amount
        return charge.pk

    @initialize()
    def begin(self):
        """Begin with one bill, so that there is something to do."""
        self.owed[self.households[0].pk] += Decimal("26.65")
        charges.charge_period(agreement=self.agreements[0], period=0, **self.acts)

    @rule(days=st.integers(1, 20))
    def time_passes(self, days):
        self.today += datetime.timedelta(days=days)

    @rule(target=made_charges, which=st.integers(0, 2), period=st.integers(0, 3))
    def bill_a_period(self, which, period):
        agreement = self.agreements[which]
        billed = Charge.objects.filter(agreement=agreement, period=period, void_entry=None).exists()
        try:
            charge = charges.charge_period(agreement=agreement, period=period, **self.acts)
        except charges.PeriodAlreadyBilledError:
            assert billed
            return multiple()
        assert not billed
        return self.charged(charge)

    @rule(target=made_charges, which=st.integers(0, 1), amount=AMOUNTS)
    def sell_goods(self, which, amount):
        charge = charges.charge_goods(
            household=self.households[which],
            on=self.today,
            goods=[charges.Goods("Reeds", amount), charges.Goods("Oil", Decimal("0.06"))],
            tax_area=self.agreements[0].tax_area,
            **self.acts,
        )
        return self.charged(charge)

    @rule(target=made_charges, which=st.integers(0, 1), amount=AMOUNTS)
    def charge_a_fee(self, which, amount):
        household = self.households[which]
        return self.charged(charges.charge_fee(household=household, on=self.today, description="Fee", amount=amount, **self.acts))

    @rule(chunk=st.integers(1, 3))
    def run_the_month(self, chunk):
        before = set(Charge.objects.values_list("pk", flat=True))
        run = BillingRun.objects.create(through_on=self.today, asked_at=self.now, asked_by=self.clerk)
        done = runs.continue_run(run.pk, now=self.now, chunk=chunk)
        new = Charge.objects.exclude(pk__in=before)
        for charge in new:
            self.charged(charge)
        assert done.billed == len(new)

    @rule(charge=consumes(made_charges))
    def void_a_charge(self, charge):
        found = Charge.objects.get(pk=charge)
        entry_on = max(self.today, found.entry.entry_on)
        try:
            charges.void_charge(charge=found, reason="Any", **self.acts)
        except ledger.MonthClosedError:
            assert self.closed and entry_on < self.closed
            return
        except charges.RefundLeftError:
            assert found.refund.deposit is not None
            return
        self.owed[found.household_id] -= sum(line.amount for line in found.lines.all())

    @rule(target=made_credits, which=st.integers(0, 2), amount=AMOUNTS, about=st.booleans())
    def give_a_credit(self, which, amount, about):
        agreement = self.agreements[which]
        note = credits.write_credit_note(
            household=agreement.household,
            agreement=agreement if about else None,
            kind="adjustment",
            amount=amount,
            reason="Any",
            on=self.today,
            **self.acts,
        )
        self.money[agreement.household_id] += amount
        return note.pk

    @rule(note=consumes(made_credits))
    def void_a_credit(self, note):
        found = CreditNote.objects.get(pk=note)
        credits.void_credit_note(credit_note=found, reason="Any", **self.acts)
        self.money[found.household_id] -= found.amount

    @rule(target=made_charges, which=st.integers(0, 1), method=st.sampled_from(["cash", "transfer"]), share=st.integers(1, 3))
    def pay_money_back(self, which, method, share):
        household = self.households[which]
        there = refunds.get_on_account(household.pk, today=self.today)
        given = refunds.RefundGiven(method, cents(there.total / share), self.today, "Any", pays_out_credit=True)
        try:
            refund = refunds.make_refund(household=household, given=given, **self.acts)
        except credits.AmountNotPositiveError:
            assert there.total < share * CENT
            return multiple()
        return self.charged(refund.charge)

    @rule(target=on_hand, which=st.integers(0, 1), amount=AMOUNTS, days_ago=st.integers(0, 40))
    def take_a_payment(self, which, amount, days_ago):
        household, on = self.households[which], self.today - datetime.timedelta(days=days_ago)
        try:
            payment = payments.record_payment(household=household, method="cash", amount=amount, received_on=on, **self.acts)
        except ledger.MonthClosedError:
            assert self.closed and on < self.closed
            return multiple()
        assert not self.closed or on >= self.closed
        self.money[household.pk] += amount
        return payment.pk

    @rule(target=made_payments, first=consumes(on_hand), second=consumes(on_hand))
    def deposit_two(self, first, second):
        chosen = list(Payment.objects.filter(pk__in={first, second}))
        try:
            deposits.make_deposit(payments=chosen, deposited_on=self.today, **self.acts)
        except ledger.MonthClosedError:
            assert self.closed and self.today < self.closed
        return multiple(*(payment.pk for payment in chosen))

    @rule(payment=st.one_of(consumes(made_payments), consumes(on_hand)))
    def a_payment_comes_back(self, payment):
        found = Payment.objects.get(pk=payment)
        on = max(self.today, found.received_on)
        try:
            payments.return_payment(payment=found, reason="Insufficient funds", returned_on=on, **self.acts)
        except ledger.MonthClosedError:
            assert self.closed and on < self.closed
            return
        self.money[found.household_id] -= found.amount
        with pytest.raises(payments.PaymentReturnedError):
            payments.return_payment(payment=found, reason="Again", returned_on=on, **self.acts)

    @rule()
    def close_the_month(self):
        following = months.next_to_close()
        try:
            months.close_month(first_day=following, today=self.today, **self.acts)
        except months.MonthNotOverError:
            assert self.today < ledger.month_after(following)
            return
        self.closed = ledger.month_after(following)

    @invariant()
    def every_check_holds(self):
        for check in CHECKS:
            assert check.find() == [], check.title

    @invariant()
    def households_owe_what_the_model_says(self):
        for household in self.households:
            account = queries.get_household_account(household.pk, today=self.today)
            assert account.balance == self.owed[household.pk] - self.money[household.pk]
            assert account.balance == account.open - account.unapplied - account.unused_credit
            # Oldest first: nobody has money on account while anything is open.
            assert not (account.open and account.unapplied + account.unused_credit)

    @invariant()
    def credit_is_never_more_than_rent_billed(self):
        for agreement in self.agreements:
            earned = queries.sum_rental_credit(agreement.pk)
            chain = [agreement.pk, agreement.follows_id]
            rent = ChargeLine.objects.filter(charge__agreement__in=chain, charge__void_entry=None, kind="rent", is_tax=False)
            assert ZERO <= earned.credit <= sum(line.amount for line in rent)

    @invariant()
    def what_was_closed_stays(self):
        for month in ClosedMonth.objects.all():
            count = JournalEntry.objects.filter(
                entry_on__gte=month.first_day, entry_on__lt=ledger.month_after(month.first_day)
            ).count()
            assert count == month.entry_count


def test_the_books_hold_whatever_happens(db):
    run_state_machine_as_test(
        Books,
        settings=settings(
            max_examples=16,
            stateful_step_count=20,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            print_blob=True,
            # A failure is twenty steps at most, and shrinking them would take minutes.
            phases=[Phase.explicit, Phase.reuse, Phase.generate],
        ),
    )

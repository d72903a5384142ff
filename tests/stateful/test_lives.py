"""Whatever happens to the agreements of two families, in any order: the program and a second opinion that knows nothing of it
agree on every balance, credit and price after each step, and the books hold when the life is over.

A longer walk: `OFFICE_LIVES=400 python3 manage.py test tests/stateful` (so many lives instead of 24).
"""

import datetime
import os

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule, run_state_machine_as_test

from billing import ledger, months, queries, verify
from billing.models import ClosedMonth, JournalEntry
from rentals.agreements import life as agreement_life
from rentals.agreements.models import Agreement
from rentals.agreements.moves import TABLE, Move, MoveNotPossibleError
from rentals.runtime.money import cents
from tests.lives.program import Program
from tests.lives.reckoner import Reckoner, written
from tests.lives.tables import Life

LIVES = int(os.environ.get("OFFICE_LIVES", "24"))
PLANS = [
    {},
    {"discount": "25 %", "step-up": "60 %"},
    {"due day": "1", "cap": "80 %", "credit": "50 %"},
    {"intro months": "3", "discount": "15 %"},
]
TAXES = [{}, {"rent": "8.25 %", "protection": "8.25 %", "goods": "8.25 %"}, {"rent": "7 %", "rent from 2026-06-01": "7.5 %"}]
GIVEN = {
    "A": {"rent": "28.50", "intro": "45.00", "protection": "4.75", "price": "310.00"},
    "B": {"rent": "39.99", "protection": "6.35", "price": "995.00"},
    "C": {"rent": "10.01", "price": "60.00"},
}
AMOUNTS = st.decimals(min_value="0.01", max_value="120.00", places=2)
SOME = st.integers(0, 999)
"""Picks one of whatever there is."""
MOVES = {
    Move.CHANGE_DUE_DAY: lambda act, whose: act("due_day", number="17", whose=whose),
    Move.ADD_PROTECTION: lambda act, whose: act("protect", whose=whose),
    Move.DROP_PROTECTION: lambda act, whose: act("unprotect", whose=whose),
    Move.HOLD: lambda act, whose: act("hold", whose=whose),
    Move.TRANSFER: lambda act, whose: act("transfer", household="2", whose=whose),
    Move.VOID: lambda act, whose: act("void", whose=whose),
}


class Lives(RuleBasedStateMachine):
    """Two families, a clock that only goes forward, and everything that may happen to what they rent."""

    def __init__(self):
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        self.today = datetime.date(2026, 1, 31)
        self.program = self.reckoner = None
        self.paid = []
        self.closed = {}

    @initialize(plan=st.sampled_from(PLANS), tax=st.sampled_from(TAXES), days=st.integers(0, 40))
    def begin(self, plan, tax, days):
        self.today += datetime.timedelta(days=days)
        life = Life("Any", "", 0, self.today, {**GIVEN, "plan": plan, "tax": tax})
        self.program, self.reckoner = Program(life), Reckoner(life)
        self.bill()

    def teardown(self):
        try:
            if self.program is not None:
                self.look_at_everything()
        finally:
            transaction.set_rollback(True)
            self.atomic.__exit__(None, None, None)

    def look_at_everything(self):
        assert self.program.periods() == self.reckoner.periods()
        assert self.program.charges() == self.reckoner.charges()
        self.compare_accounts()
        assert [(each.title, breaches) for each, breaches in verify.run_checks() if breaches] == []

    def compare_accounts(self):
        for letter in self.reckoner.rentals:
            assert self.program.figures(self.today, letter) == self.reckoner.figures(self.today, letter), letter

    def act(self, verb, **said):
        """Let the same thing happen in both; what the program refuses, it refuses before the second opinion hears of it."""
        with transaction.atomic():
            getattr(self.program, verb)(self.today, **said)
        getattr(self.reckoner, verb)(self.today, **said)

    def one(self, which, *states):
        """One of the agreements, in one of these states where any are named; None when there is none."""
        letters = [letter for letter in self.reckoner.rentals if not states or self.state(letter) in states]
        return letters[which % len(letters)] if letters else None

    def state(self, letter):
        return agreement_life.state_of(self.program.agreement(letter))

    # time and bills

    @rule(days=st.sampled_from([1, 3, 10, 25, 31]))
    def time_passes(self, days):
        self.today += datetime.timedelta(days=days)

    @rule()
    def bill(self):
        self.act("bill")

    @rule(days=st.sampled_from([15, 30]))
    def time_passes_to_a_bill(self, days):
        self.today += datetime.timedelta(days=days)
        self.act("bill")

    @precondition(lambda self: len(self.reckoner.rentals) < 5)
    @rule(letter=st.sampled_from("BC"), household=st.sampled_from("12"))
    def sign_another(self, letter, household):
        if letter not in self.reckoner.rentals:
            self.act("sign", letter=letter, household=household)

    @rule(which=SOME, amount=AMOUNTS)
    def sell(self, which, amount):
        self.act("sell", amount=str(amount), words="reeds", household="12"[which % 2])

    @rule(which=SOME, amount=AMOUNTS)
    def charge_a_fee(self, which, amount):
        self.act("fee", amount=str(amount), words="Delivery", household="12"[which % 2])

    @rule(which=SOME)
    def void_a_bill(self, which):
        there = [bill for bill in self.reckoner.bills if not bill.void]
        if not there:
            return
        bill = there[which % len(there)]
        if bill.number is None:
            others = [each for each in self.reckoner.bills if each.number is None]
            self.act("void_charge", number=str(others.index(bill) + 1))
        else:
            self.act("void_period", number=str(bill.number + 1), whose=bill.rental.letter)

    @rule(which=SOME)
    def bill_a_voided_period_again(self, which):
        void = [(bill.rental, bill.number) for bill in self.reckoner.bills if bill.void and bill.rental and not bill.rental.ended]
        again = [(rental, n) for rental, n in void if n is not None and not self.reckoner.is_billed(rental, n)]
        if again:
            rental, n = again[which % len(again)]
            self.act("bill_period", number=str(n + 1), whose=rental.letter)

    # money

    @rule(which=SOME, amount=AMOUNTS, method=st.sampled_from(["cash", "check", "transfer"]))
    def pay_any_amount(self, which, amount, method):
        self.act("pay", amount=str(amount), method=method, household="12"[which % 2])

    @rule(which=SOME)
    def pay_what_is_owed(self, which):
        number = "12"[which % 2]
        owed = queries.sum_balance(self.program.households[number].pk)
        if owed > 0:
            self.act("pay", amount=str(owed), method="check", household=number)

    @rule(which=SOME)
    def a_payment_comes_back(self, which):
        there = [n for n, money in enumerate(self.reckoner.payments, 1) if not money.gone]
        if there:
            self.act("bounce", number=str(there[which % len(there)]))

    @rule(days=st.integers(1, 90))
    def exempt_the_family(self, days):
        if self.reckoner.exempt_days is None:
            self.act("exempt", until=str(self.today + datetime.timedelta(days=days)))

    @rule()
    def close_a_month(self):
        following = months.next_to_close()
        if following is not None and ledger.month_after(following) <= self.today:
            self.act("close", month=f"{following:%Y-%m}")
            kept = ClosedMonth.objects.get(first_day=following)
            self.closed[following] = (kept.entry_count, kept.debits)

    # moves

    @rule(which=SOME, number=st.integers(1, 28))
    def move_the_due_day(self, which, number):
        letter = self.one(which, "running")
        if letter and self.reckoner.rentals[letter].anchor.day != number:
            self.act("due_day", number=str(number), whose=letter)

    @rule(which=SOME)
    def add_or_drop_protection(self, which):
        letter = self.one(which, "running")
        if letter and "protection" in self.reckoner.rentals[letter].given:
            self.act("unprotect" if self.reckoner.rentals[letter].protected else "protect", whose=letter)

    @rule(which=SOME)
    def hold(self, which):
        if letter := self.one(which, "running"):
            self.act("hold", whose=letter)

    @rule(which=SOME)
    def recall(self, which):
        letter = self.one(which, "running", "on_hold")
        if letter and self.reckoner.past_due(self.reckoner.rentals[letter].household, self.today):
            self.act("recall", whose=letter)

    @rule(which=SOME, forgiven=st.sampled_from(["", "yes"]))
    def lift(self, which, forgiven):
        if letter := self.one(which, "on_hold", "recalled"):
            self.act("lift", whose=letter, forgiven=forgiven)

    @rule(which=SOME)
    def transfer(self, which):
        letter = self.one(which, "running")
        if letter and len(self.reckoner.rentals) < 8:
            self.act("transfer", whose=letter, household="21"[self.reckoner.rentals[letter].household - 1])

    @rule(which=SOME)
    def void_an_agreement(self, which):
        letter = self.one(which, "running")
        if letter and self.reckoner.may_be_voided(letter, self.today):
            self.act("void", whose=letter)

    @rule(which=SOME, move=st.sampled_from(sorted(MOVES)))
    def what_the_state_forbids_is_refused(self, which, move):
        letter = self.one(which)
        if self.state(letter) not in TABLE[move]:
            with pytest.raises(MoveNotPossibleError) as refusal:
                MOVES[move](self.act, letter)
            assert self.program.agreement(letter).number in str(refusal.value)

    # what holds after every step

    @invariant()
    def everything_holds(self):
        if self.program is not None:
            self.families_owe_what_the_second_opinion_says()
            self.credit_is_never_more_than_rent_that_was_paid()
            self.closed_months_stay_as_they_were()

    def families_owe_what_the_second_opinion_says(self):
        for number, household in self.program.households.items():
            balance, unused = map(written, self.reckoner.account(int(number)))
            assert str(cents(queries.sum_balance(household.pk))) == balance
            opened = queries.sum_open_lines(household.pk)
            assert str(cents(opened - queries.sum_balance(household.pk))) == unused
            # Oldest first: nobody has money on account while anything is open.
            assert not opened or unused == "0.00"

    def credit_is_never_more_than_rent_that_was_paid(self):
        agreements = Agreement.objects.filter(pk__in=[each.pk for each in self.program.agreements.values()])
        for credit in queries.sum_rental_credits(agreements, on=self.today).values():
            assert 0 <= credit.credit <= credit.rent_paid

    def closed_months_stay_as_they_were(self):
        for first_day, (count, _) in self.closed.items():
            entries = JournalEntry.objects.filter(entry_on__gte=first_day, entry_on__lt=ledger.month_after(first_day))
            assert entries.count() == count


def test_agreements_live_as_a_second_opinion_says(db):
    run_state_machine_as_test(
        Lives,
        settings=settings(
            max_examples=LIVES,
            stateful_step_count=50,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            print_blob=True,
            # A failing life is fifty steps at most, and shrinking it would take minutes.
            phases=[Phase.explicit, Phase.reuse, Phase.generate],
        ),
    )

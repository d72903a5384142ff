"""Several at the same moment: real threads, committed data, and for every lock a twin without it that must fail."""

import datetime
import random
import time
import uuid
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from billing import allocation, batches, charges, ledger, payments, runs, verify, verify_charges
from billing.models import Allocation, BillingChunk, BillingRun, Charge, ClosedMonth, JournalEntry, Payment
from rentals.agreements.models import Agreement, PeriodTerms
from rentals.staff.operations import take_number
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)
D = Decimal


def books_hold():
    return {check.title: breaches for check, breaches in verify.run_checks() if breaches} == {}


class TestSameRequestFromManySides:
    """T2: clients send the same keys in random order; each makes its payment once."""

    def test_makes_each_payment_once(self, race):
        clerk, household = BookkeeperFactory(), HouseholdFactory()
        keys = [uuid.UUID(int=n) for n in range(25)]

        def client(seed):
            def send():
                order = random.Random(seed).sample(keys, len(keys))
                return [
                    payments.record_payment(
                        household=household, method="cash", amount=D("1.00"), received_on=DAY, acting_user=clerk, now=NOON,
                        request_key=key,
                    ).pk
                    for key in order
                ]  # fmt: skip

            return send

        outcomes = race(*(client(seed) for seed in range(4)), seconds=120)
        assert [type(outcome) for outcome in outcomes] == [list] * 4
        assert len({frozenset(outcome) for outcome in outcomes}) == 1
        assert Payment.objects.count() == JournalEntry.objects.count() == len(keys)
        assert sorted(Payment.objects.values_list("number", flat=True)) == [f"P-{n:06}" for n in range(1, len(keys) + 1)]
        assert books_hold()


class TestNumbersWithoutGaps:
    """T3: a tenth of the transactions is rolled back; the numbers that stay have no gap. A sequence leaves some."""

    def draw(self, race, take):
        def worker(seed):
            def work():
                chance, kept = random.Random(seed), []
                for _ in range(50):
                    with transaction.atomic():
                        number = take()
                        if chance.random() < 0.1:
                            transaction.set_rollback(True)
                        else:
                            kept.append(number)
                return kept

            return work

        outcomes = race(*(worker(seed) for seed in range(4)), seconds=120)
        return sorted(number for kept in outcomes for number in kept)

    def test_under_the_row_lock(self, race):
        kept = self.draw(race, lambda: take_number("test"))
        assert kept == list(range(1, len(kept) + 1))
        assert 100 < len(kept) < 200

    def test_the_twin_without_it_leaves_gaps(self, race, owner_cursor):
        owner_cursor.execute("CREATE SEQUENCE races_twin; GRANT USAGE ON races_twin TO PUBLIC")

        def from_sequence():
            with connection.cursor() as cursor:
                cursor.execute("SELECT nextval('races_twin')")
                return cursor.fetchone()[0]

        try:
            kept = self.draw(race, from_sequence)
        finally:
            owner_cursor.execute("DROP SEQUENCE races_twin")
        assert kept != list(range(1, len(kept) + 1))


MANY = """
INSERT INTO agreements_agreement ({columns}, number, household_id)
SELECT {columns}, 'A-7' || lpad(n::text, 5, '0'), (%(households)s::bigint[])[1 + n %% cardinality(%(households)s::bigint[])]
  FROM agreements_agreement, generate_series(1, %(count)s) n WHERE id = %(like)s
"""
THEIR_TERMS = """
INSERT INTO agreements_periodterms ({columns}, agreement_id)
SELECT {columns}, many.of FROM agreements_periodterms, (SELECT id AS of FROM agreements_agreement WHERE number LIKE 'A-7%%') many
 WHERE agreement_id = %(like)s
"""


def many_agreements(count):
    """Sign that many agreements that each bill two periods by the day, for twenty households."""
    like = AgreementFactory()
    told = {"like": like.pk, "count": count, "households": [HouseholdFactory().pk for _ in range(20)]}
    with transaction.atomic(), connection.cursor() as cursor:
        for statement, model in ((MANY, Agreement), (THEIR_TERMS, PeriodTerms)):
            own = {"id", "number", "household_id", "agreement_id"}
            names = [f'"{field.column}"' for field in model._meta.concrete_fields if field.column not in own]
            cursor.execute(statement.format(columns=", ".join(names)), told)
    Agreement.objects.filter(pk=like.pk).update(ended_on=DAY, end_reason="returned")


def race_on(race, run_ids, **options):
    return race(*(lambda key=key: runs.continue_run(key, now=NOON, **options) for key in run_ids), seconds=300)


class TestManyRunsAtOnce:
    """T4: four runs over the same 2,000 agreements, in chunks; nobody is billed twice and nobody is left out."""

    COUNT = 2_000

    def start(self, count=1):
        clerk = BookkeeperFactory()
        return [BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=clerk).pk for _ in range(count)]

    def test_bill_everybody_once(self, race):
        many_agreements(self.COUNT)
        outcomes = race_on(race, self.start(4), chunk=150)
        assert [outcome.state for outcome in outcomes] == ["done"] * 4
        assert Charge.objects.count() == JournalEntry.objects.count() == self.COUNT * 2
        assert sum(outcome.billed for outcome in outcomes) == self.COUNT * 2
        assert [outcome.done for outcome in outcomes] == [self.COUNT] * 4
        assert books_hold()

    def test_workers_on_one_run_take_different_chunks(self, race):
        many_agreements(90)
        run = self.start()[0]
        outcomes = race_on(race, [run] * 3, chunk=7)
        assert [type(outcome) for outcome in outcomes] == [BillingRun] * 3
        done = BillingRun.objects.get(pk=run)
        assert (done.state, done.done, done.billed, Charge.objects.count()) == ("done", 90, 180, 180)
        assert BillingChunk.objects.filter(run=run).exclude(place=0).count() == 13

    def test_a_worker_goes_past_a_chunk_that_another_holds(self, race, owner_cursor):
        many_agreements(30)
        run = self.start()[0]
        runs.continue_chunk(run, now=NOON, chunk=10)
        with owner_cursor.connection.transaction():
            owner_cursor.execute("SELECT FROM billing_billingchunk WHERE place = 2 FOR UPDATE")
            race(lambda: runs.continue_chunk(run, now=NOON))
            billed = BillingChunk.objects.exclude(billed_at=None).order_by("place")
            assert list(billed.values_list("place", flat=True)) == [0, 1, 3]
        assert runs.continue_run(run, now=NOON).billed == 60

    def test_a_worker_killed_in_the_middle_of_a_chunk_loses_only_that(self, race, owner_cursor):
        many_agreements(40)
        run = self.start()[0]
        runs.continue_chunk(run, now=NOON, chunk=20)
        killed = (
            "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query ~ 'KEY SHARE'"
        )

        def kill():
            # The worker waits for a household that is held here, and so has claimed its chunk but billed nothing of it.
            with owner_cursor.connection.transaction():
                owner_cursor.execute("SELECT FROM families_household FOR UPDATE")
                for _ in range(200):
                    owner_cursor.execute("SELECT pg_stat_clear_snapshot(), pg_sleep(0.05)")
                    if owner_cursor.execute(killed).fetchone()[0]:
                        return "killed"
            return "never seen"

        def work():
            time.sleep(0.3)
            return runs.continue_run(run, now=NOON)

        worker, killer = race(work, kill, seconds=60)
        assert (type(worker).__name__, killer) == ("OperationalError", "killed")
        assert Charge.objects.count() == 40
        done = runs.continue_run(run, now=NOON)
        assert (done.state, done.billed, Charge.objects.count()) == ("done", 80, 80)
        assert books_hold()


class TestOppositeOrders:
    """T22: clients that touch the same households in opposite orders, while these are billed; nobody waits in a circle."""

    ROUNDS = 6

    def take(self, households, clerk):
        taken = [
            batches.PaymentTaken(household_id=key, method="cash", amount=D("1.00"), received_on=DAY, taken_at=NOON)
            for key in households
        ]
        batches.record_payments(taken=taken, acting_user=clerk)

    def test_lose_nothing(self, race):
        many_agreements(200)
        clerk = BookkeeperFactory()
        keys = sorted(Agreement.objects.filter(ended_on=None).values_list("household_id", flat=True).distinct())
        run = BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=clerk).pk

        def client(seed):
            def work():
                for turn in range(self.ROUNDS):
                    order = keys if (seed + turn) % 2 else keys[::-1]
                    self.take(order, clerk)
                return "done"

            return work

        outcomes = race(*(client(n) for n in range(6)), *(lambda: runs.continue_run(run, now=NOON, chunk=9),) * 2, seconds=300)
        assert outcomes[:6] == ["done"] * 6
        assert Payment.objects.count() == 6 * self.ROUNDS * len(keys)
        assert BillingRun.objects.get(pk=run).billed == Charge.objects.count() == 400
        assert books_hold()

    def test_the_twin_that_locks_as_it_comes_waits_in_a_circle(self, race):
        keys = [HouseholdFactory().pk for _ in range(2)]

        def lock(order):
            def work():
                with transaction.atomic(), connection.cursor() as cursor:
                    for key in order:
                        cursor.execute("SELECT FROM families_household WHERE id = %s FOR UPDATE", [key])
                        cursor.execute("SELECT pg_sleep(0.3)")
                return "done"

            return work

        outcomes = race(lock(keys), lock(keys[::-1]))
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["OperationalError", "str"]


class TestOneMoneyTwice:
    """Two who allocate the same money at once cannot both pass, even past the operations."""

    @pytest.fixture
    def set_up(self):
        clerk, household = BookkeeperFactory(), HouseholdFactory()
        paid = payments.record_payment(
            household=household, method="cash", amount=D("10.00"), received_on=DAY, acting_user=clerk, now=NOON
        )
        owed = []
        for n in range(2):
            charge = charges.charge_fee(
                household=household, on=DAY, description=f"Fee {n}", amount=D("10.00"), acting_user=clerk, now=NOON
            )
            owed.append(charge.lines.get())
        Allocation.objects.update(released_at=NOON)
        return paid, owed

    def allocate(self, paid, line):
        def insert():
            with transaction.atomic():
                Allocation.objects.create(payment=paid, line=line, amount=D("10.00"), made_at=NOON)
                with connection.cursor() as cursor:
                    cursor.execute("SELECT pg_sleep(0.2)")
            return "passed"

        return insert

    def test_the_database_lets_one_pass(self, race, set_up):
        paid, owed = set_up
        outcomes = race(*(self.allocate(paid, line) for line in owed))
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["IntegrityError", "str"]

    def test_the_twin_without_the_lock_lets_both(self, race, set_up, owner_cursor):
        paid, owed = set_up
        guard = owner_cursor.execute("SELECT pg_get_functiondef('billing_allocations_fit'::regproc)").fetchone()[0]
        twin = guard.replace("FOR NO KEY UPDATE", "")
        assert twin != guard
        owner_cursor.execute(twin)
        try:
            outcomes = race(*(self.allocate(paid, line) for line in owed))
        finally:
            owner_cursor.execute(guard)
        assert outcomes == ["passed", "passed"]
        assert verify_charges.allocations_within_payments() != []

    def test_operations_never_even_meet_the_guard(self, race):
        clerk, agreement = BookkeeperFactory(), AgreementFactory()
        charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
        pay = [
            lambda: payments.record_payment(
                household=agreement.household, method="cash", amount=D("20.00"), received_on=DAY, acting_user=clerk, now=NOON
            ),
            lambda: charges.charge_period(agreement=agreement, period=1, acting_user=clerk, now=NOON),
            lambda: payments.record_payment(
                household=agreement.household, method="cash", amount=D("40.00"), received_on=DAY, acting_user=clerk, now=NOON
            ),
        ]
        outcomes = race(*pay, seconds=60)
        assert not [outcome for outcome in outcomes if isinstance(outcome, Exception)]
        assert books_hold()


class TestClosingWhileSomebodyPosts:
    """An entry is either in the month when it is closed, or refused; never slipped in behind."""

    def post(self, clerk):
        def go():
            with transaction.atomic():
                payments.record_payment(
                    household=HouseholdFactory(), method="cash", amount=D("5.00"), received_on=DAY, acting_user=clerk, now=NOON
                )
                with connection.cursor() as cursor:
                    cursor.execute("SELECT pg_sleep(1)")
            return "posted"

        return go

    def close(self, clerk):
        def go():
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_sleep(0.6)")
            with transaction.atomic():
                ClosedMonth.objects.create(first_day=DAY.replace(day=1), closed_at=NOON, closed_by=clerk)
                return JournalEntry.objects.filter(entry_on__gte=DAY.replace(day=1)).count()

        return go

    def test_waits_and_then_sees_it(self, race):
        clerk = BookkeeperFactory()
        posted, seen = race(self.post(clerk), self.close(clerk))
        assert (posted, seen) == ("posted", 1)

    def test_the_twin_without_the_lock_does_not(self, race, owner_cursor):
        clerk = BookkeeperFactory()
        guard = owner_cursor.execute("SELECT pg_get_functiondef('billing_months_close_in_order'::regproc)").fetchone()[0]
        twin = guard.replace("PERFORM pg_advisory_xact_lock(hashtext('billing.months'));", "")
        assert twin != guard
        owner_cursor.execute(twin)
        try:
            posted, seen = race(self.post(clerk), self.close(clerk))
        finally:
            owner_cursor.execute(guard)
        assert (posted, seen) == ("posted", 0)
        assert verify.closed_months_stand() != []

    def test_who_comes_after_is_refused(self, race):
        clerk = BookkeeperFactory()
        self.close(clerk)()
        outcomes = race(self.post(clerk), self.post(clerk))
        assert [type(outcome) for outcome in outcomes] == [ledger.MonthClosedError] * 2


class TestVoidWhileItIsPaid:
    def test_leaves_no_money_on_a_voided_charge(self, race):
        clerk = BookkeeperFactory()
        for _ in range(5):
            household = HouseholdFactory()
            charge = charges.charge_fee(
                household=household, on=DAY, description="Fee", amount=D("10.00"), acting_user=clerk, now=NOON
            )
            race(
                lambda charge=charge: charges.void_charge(charge=charge, reason="Test", acting_user=clerk, now=NOON),
                lambda household=household: payments.record_payment(
                    household=household, method="cash", amount=D("10.00"), received_on=DAY, acting_user=clerk, now=NOON
                ),
            )
        assert books_hold()
        assert not Allocation.objects.filter(released_at=None).exists()


class TestUnderTheNextLock:
    def test_a_second_reversal_is_refused_by_the_database_too(self):
        clerk = BookkeeperFactory()
        charge = charges.charge_fee(
            household=HouseholdFactory(), on=DAY, description="Fee", amount=D("1.00"), acting_user=clerk, now=NOON
        )
        later = NOON + datetime.timedelta(days=1)
        ledger.reverse_entry(entry=charge.entry, entry_on=DAY, reason="Test", acting_user=clerk, now=later)
        with pytest.raises(IntegrityError, match="reverses_id"), connection.cursor() as cursor:
            cursor.execute(
                "INSERT INTO billing_journalentry (entry_on, kind, memo, source, currency, reverses_id, made_at, made_by_id) "
                "VALUES (%s, 'reversal', '', 'again', 'USD', %s, now(), %s)",
                [DAY, charge.entry_id, clerk.pk],
            )
        assert allocation.apply_credit(household_ids=[], now=NOON) == 0

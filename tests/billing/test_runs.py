"""The monthly run: everything due, once, in the end to the cent what one charge at a time would give."""

import datetime
import random
from decimal import Decimal

import pytest
from djmoney.money import Money

from billing import charges, payments, queries, runs, verify
from billing.models import BillingRun, Charge, ClosedMonth, JournalEntry
from rentals.agreements.models import Agreement, AgreementHold, TaxRate
from tests.billing.factories import DAY, NOON, AgreementFactory, TaxAreaFactory

D = Decimal


def bill(bookkeeper, through_on=DAY, **options):
    run = BillingRun.objects.create(through_on=through_on, asked_at=NOON, asked_by=bookkeeper)
    return runs.continue_run(run.pk, now=NOON, **options)


def charged():
    """Everything a charge is, without its keys."""
    return sorted(
        (
            c.agreement.number,
            c.period,
            c.period_begins_on,
            c.period_ends_on,
            c.due_on,
            c.household_id,
            c.entry.entry_on,
            c.entry.kind,
            c.entry.memo,
            c.entry.currency,
            c.entry.source == f"charge/{c.pk}",
            tuple(c.lines.order_by("position").values_list("position", "kind", "is_tax", "description", "tax_rate", "amount")),
            tuple(sorted(c.entry.postings.values_list("account_id", "household_id", "amount"))),
        )
        for c in Charge.objects.select_related("agreement", "entry")
    )


class TestContinueRun:
    def test_bills_every_due_period_in_order(self, agreement, bookkeeper):
        run = bill(bookkeeper, datetime.date(2026, 3, 31))
        assert [c.due_on.isoformat() for c in Charge.objects.order_by("id")] == ["2026-01-31", "2026-02-28", "2026-03-31"]
        assert (run.state, run.billed, run.billed_amount, run.agreements_billed) == ("done", 3, D("79.95"), 1)

    def test_bills_nothing_before_its_day(self, agreement, bookkeeper):
        bill(bookkeeper, datetime.date(2026, 3, 30))
        assert Charge.objects.count() == 2

    def test_says_what_it_billed_and_what_not_and_why(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        charges.charge_period(agreement=agreement, period=1, acting_user=bookkeeper, now=NOON)
        AgreementFactory(starts_on=datetime.date(2026, 3, 11))
        AgreementFactory(starts_on=datetime.date(2026, 3, 10))
        AgreementFactory(starts_on=datetime.date(2026, 3, 1), ended_on=datetime.date(2026, 3, 9), end_reason="returned")
        run = bill(bookkeeper)
        assert (run.done, run.agreements_billed, run.up_to_date, run.not_started, run.billed_elsewhere) == (3, 1, 1, 1, 0)
        assert run.done == run.agreements_billed + run.up_to_date + run.not_started + run.billed_elsewhere

    def test_repeated_bills_nobody_twice(self, agreement, bookkeeper):
        bill(bookkeeper)
        again = bill(bookkeeper)
        assert (again.billed, again.up_to_date, Charge.objects.count()) == (0, 1, 2)

    def test_goes_on_where_it_was_stopped(self, bookkeeper):
        AgreementFactory.create_batch(5, starts_on=datetime.date(2026, 3, 1))
        run = BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=bookkeeper)
        assert runs.continue_chunk(run.pk, now=NOON, chunk=2)
        assert Charge.objects.count() == 2
        done = runs.continue_run(run.pk, now=NOON, chunk=2)
        assert (done.done, done.billed, Charge.objects.count()) == (5, 5, 5)

    def test_lets_money_on_account_pay(self, agreement, bookkeeper):
        payments.record_payment(
            household=agreement.household, method="cash", amount=D("30.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        bill(bookkeeper)
        account = queries.get_household_account(agreement.household_id, today=DAY)
        assert (account.balance, account.open, account.unapplied) == (D("23.30"), D("23.30"), D("0.00"))

    def test_leaves_a_voided_period_alone(self, agreement, bookkeeper):
        charge = charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        charges.void_charge(charge=charge, reason="A month free", acting_user=bookkeeper, now=NOON)
        bill(bookkeeper)
        assert [c.period for c in Charge.objects.filter(void_entry=None)] == [1]

    def test_posts_a_late_charge_on_the_first_open_day(self, agreement, bookkeeper):
        ClosedMonth.objects.create(first_day=datetime.date(2026, 1, 1), closed_at=NOON, closed_by=bookkeeper)
        bill(bookkeeper)
        first = Charge.objects.get(period=0)
        assert (first.due_on, first.entry.entry_on) == (datetime.date(2026, 1, 31), datetime.date(2026, 2, 1))

    def test_keeps_every_invariant(self, agreement, bookkeeper):
        bill(bookkeeper)
        assert [breaches for _, breaches in verify.run_checks() if breaches] == []


def hold(agreement, from_on, until_on=None, *, kind="hold", is_forgiven=False):
    """Keep an agreement from being billed, as the manager does; with `until_on`, lifted again."""
    by = agreement.signed_by
    return AgreementHold.objects.create(
        agreement=agreement, kind=kind, from_on=from_on, until_on=until_on, is_forgiven=is_forgiven, reason="Test", made_at=NOON,
        made_by=by, lifted_at=NOON if until_on else None, lifted_by=by if until_on else None,
    )  # fmt: skip


class TestHolds:
    """Periods begin on January 31, February 28, March 31."""

    FEBRUARY, APRIL = datetime.date(2026, 2, 28), datetime.date(2026, 4, 1)

    def billed(self, bookkeeper):
        run = bill(bookkeeper, self.APRIL)
        return run, list(Charge.objects.order_by("period").values_list("period", flat=True))

    def test_keep_back_what_begins_in_them(self, agreement, bookkeeper):
        hold(agreement, self.FEBRUARY)
        run, billed = self.billed(bookkeeper)
        assert (billed, run.agreements_billed, run.on_hold) == ([0], 1, 0)
        run, billed = self.billed(bookkeeper)
        assert (billed, run.on_hold, run.recalled, run.up_to_date) == ([0], 1, 0, 0)

    def test_are_told_from_recalls(self, agreement, bookkeeper):
        hold(agreement, agreement.starts_on, kind="recall")
        run, billed = self.billed(bookkeeper)
        assert (billed, run.on_hold, run.recalled, run.total) == ([], 0, 1, 1)

    def test_once_lifted_are_billed_for(self, agreement, bookkeeper):
        kept = hold(agreement, self.FEBRUARY)
        self.billed(bookkeeper)
        AgreementHold.objects.filter(pk=kept.pk).update(until_on=self.APRIL, lifted_at=NOON, lifted_by=bookkeeper)
        run, billed = self.billed(bookkeeper)
        assert (billed, run.billed, run.agreements_billed) == ([0, 1, 2], 2, 1)

    def test_forgiven_are_never_billed_for(self, agreement, bookkeeper):
        hold(agreement, self.FEBRUARY, datetime.date(2026, 3, 31), is_forgiven=True)
        _, billed = self.billed(bookkeeper)
        run, again = self.billed(bookkeeper)
        assert (billed, again, run.up_to_date) == ([0, 2], [0, 2], 1)


class TestSinceThePlan:
    """What changes between the plan and the chunk is counted as what it is."""

    @pytest.fixture
    def planned(self, bookkeeper):
        agreements = AgreementFactory.create_batch(5, starts_on=datetime.date(2026, 3, 1))
        run = BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=bookkeeper)
        runs.continue_chunk(run.pk, now=NOON, chunk=1)
        return run, agreements[1:]

    def test_says_who_ended_was_held_or_billed_elsewhere(self, planned, bookkeeper):
        run, (ended, held, recalled, billed) = planned
        Agreement.objects.filter(pk=ended.pk).update(ended_on=DAY, end_reason="returned")
        hold(held, held.starts_on)
        hold(recalled, recalled.starts_on, kind="recall")
        charges.charge_period(agreement=billed, period=0, acting_user=bookkeeper, now=NOON)
        done = runs.continue_run(run.pk, now=NOON)
        assert (done.agreements_billed, done.ended_meanwhile, done.on_hold, done.recalled, done.billed_elsewhere) == (
            1,
            1,
            1,
            1,
            1,
        )
        assert (done.done, done.total, done.up_to_date, Charge.objects.count()) == (5, 5, 0, 2)

    def test_counts_a_voided_period_as_done_with(self, planned, bookkeeper):
        run, (voided, *_) = planned
        charge = charges.charge_period(agreement=voided, period=0, acting_user=bookkeeper, now=NOON)
        charges.void_charge(charge=charge, reason="A month free", acting_user=bookkeeper, now=NOON)
        done = runs.continue_run(run.pk, now=NOON)
        assert (done.agreements_billed, done.up_to_date, done.billed_elsewhere) == (4, 1, 0)


class TestSameAsOneAtATime:
    """The golden test: SQL's rows and roundings are Python's, on every agreement."""

    @pytest.fixture
    def agreements(self, db):
        chance = random.Random(20260310)
        areas = []
        for n in range(6):
            area = TaxAreaFactory(code=f"area-{n}", rates={"rent": str(D(chance.randrange(0, 110000)) / 1000000)})
            for applies_to in ("rent", "protection"):
                rate = D(chance.choice([0, 62500, 70000, 72530, 82500, 102500])) / 1000000
                TaxRate.objects.create(area=area, applies_to=applies_to, rate=rate, effective_from=datetime.date(2026, 2, 15))
            areas.append(area)
        return [
            AgreementFactory(
                tax_area=chance.choice(areas),
                starts_on=datetime.date(2025, 10, 1) + datetime.timedelta(days=chance.randrange(170)),
                monthly_rent=Money(D(chance.randrange(1, 12000)) / 100, "USD"),
                monthly_protection=Money(D(chance.choice([0, chance.randrange(1, 1500)])) / 100, "USD"),
            )
            for _ in range(40)
        ]

    def test_agrees_on_every_row(self, agreements, bookkeeper):
        bill(bookkeeper, chunk=17)
        by_sql = charged()
        assert len(by_sql) > 100
        # The books cannot be emptied: what the run billed is voided, and billed again one at a time.
        periods = [(c.agreement, c.period) for c in Charge.objects.select_related("agreement").order_by("id")]
        for charge in Charge.objects.all():
            charges.void_charge(charge=charge, reason="Compare", acting_user=bookkeeper, now=NOON)
        for agreement, period in periods:
            charges.charge_period(agreement=agreement, period=period, acting_user=bookkeeper, now=NOON)
        by_python = charged()
        for row in by_sql:
            by_python.remove(row)
        assert by_python == by_sql

    def test_adds_up(self, agreements, bookkeeper):
        run = bill(bookkeeper)
        owed = sum(queries.sum_balance(a.household_id) for a in agreements)
        assert owed == run.billed_amount
        assert JournalEntry.objects.count() == run.billed


class TestStartRun:
    def test_asked_twice_says_that_it_is_under_way(self, bookkeeper):
        run = runs.start_run(through_on=DAY, acting_user=bookkeeper, now=NOON)
        with pytest.raises(runs.RunUnderWayError) as refused:
            runs.start_run(through_on=DAY, acting_user=bookkeeper, now=NOON)
        assert refused.value.run == run

    def test_tonight_acts_in_the_offices_own_name(self, db):
        run = runs.bill_tonight(today=DAY, now=NOON)
        assert (run.asked_by.is_active, run.asked_by.has_usable_password()) == (False, False)


class TestSweep:
    def test_finds_only_runs_that_went_silent(self, bookkeeper):
        long_ago = NOON - datetime.timedelta(hours=1)
        lost = BillingRun.objects.create(
            through_on=DAY, asked_at=long_ago, asked_by=bookkeeper, state="running", heartbeat_at=long_ago
        )
        BillingRun.objects.create(through_on=DAY, asked_at=long_ago, asked_by=bookkeeper, state="running", heartbeat_at=NOON)
        BillingRun.objects.create(through_on=DAY, asked_at=long_ago, asked_by=bookkeeper, state="done", heartbeat_at=long_ago)
        assert list(runs.list_silent(now=NOON)) == [lost]
        assert runs.sweep(now=NOON) == 1

"""Adjustments and credit notes as worked tables: who may decide, what is posted, what it pays, and taking one back."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from billing import adjustments, charges, chart, credits, ledger, payments, queries, runs
from billing.adjustments import AdjustmentAsked, ask_for_adjustment, decide_adjustment
from billing.models import Account, Adjustment, Allocation, BillingRun, CreditNote, JournalEntry
from rentals.agreements import life
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import MoveNotPossibleError
from rentals.staff.operations import RequestKeyReusedError
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory
from tests.factories import ManagerFactory, SpecialistFactory

D = Decimal


@pytest.fixture
def office(db):
    """The office; an adjustment above 50.00 needs another person."""
    return OfficeFactory()


@pytest.fixture
def rosa(db):
    return SpecialistFactory()


@pytest.fixture
def owing(agreement, bookkeeper, office):
    """26.65 due January 31: rent 20.00, tax 1.65, protection 5.00."""
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    return agreement


def asked(agreement, amount, direction="less", reason="Instrument came a week late", about=True):
    return AdjustmentAsked(agreement.household, agreement if about else None, direction, D(amount), reason)


def balances(*codes):
    """What stands on each account."""
    return [sum((p.amount for p in Account.objects.get(code=code).postings.all()), D("0.00")) for code in codes]


def paid():
    """Which line each payment or credit note in force pays, and how much."""
    rows = Allocation.objects.filter(released_at=None).order_by("line__position", "id").select_related("line", "credit_note")
    return [("credit" if a.credit_note else "money", a.line.description, str(a.amount)) for a in rows]


class TestAskForAdjustment:
    def test_at_the_limit_is_granted_at_once(self, owing, rosa):
        made = ask_for_adjustment(asked=asked(owing, "50.00"), acting_user=rosa, now=NOON)
        assert (made.state, made.needs_approval, made.decided_by) == ("granted", False, rosa)
        assert made.credit_note.number == "C-000001"
        assert balances(chart.ADJUSTMENTS, chart.RECEIVABLES) == [D("50.00"), D("-23.35")]

    def test_a_cent_above_waits_and_posts_nothing(self, owing, rosa):
        made = ask_for_adjustment(asked=asked(owing, "50.01"), acting_user=rosa, now=NOON)
        assert (made.state, made.needs_approval, made.credit_note) == ("asked", True, None)
        assert queries.sum_balance(owing.household_id) == D("26.65")
        assert list(adjustments.list_waiting()) == [made]

    def test_pieces_of_one_day_count_together(self, owing, rosa):
        # 30.00 alone; then 20.00 reaches the limit; another cent needs a manager. The next day it starts anew.
        states = [
            ask_for_adjustment(asked=asked(owing, amount), acting_user=rosa, now=now).state
            for amount, now in [("30.00", NOON), ("20.00", NOON), ("0.01", NOON), ("0.01", NOON + datetime.timedelta(days=1))]
        ]
        assert states == ["granted", "granted", "asked", "granted"]

    def test_more_is_a_fee(self, owing, rosa):
        made = ask_for_adjustment(asked=asked(owing, "12.00", "more", "Case was not returned"), acting_user=rosa, now=NOON)
        assert (made.charge.kind, made.charge.lines.get().description) == ("fee", "Adjustment: Case was not returned")
        assert queries.sum_balance(owing.household_id) == D("38.65")

    def test_stands_in_the_timeline_of_the_agreement(self, owing, rosa):
        ask_for_adjustment(asked=asked(owing, "10.00"), acting_user=rosa, now=NOON)
        event = LifeEvent.objects.get(agreement=owing, kind="adjusted")
        assert (event.by, event.note) == (rosa, "$10.00 less: Instrument came a week late")

    def test_sent_twice_is_made_once(self, owing, rosa):
        key = uuid.uuid4()
        first, second = (
            ask_for_adjustment(asked=asked(owing, "10.00"), acting_user=rosa, now=NOON, request_key=key) for _ in range(2)
        )
        assert (first, CreditNote.objects.count()) == (second, 1)
        with pytest.raises(RequestKeyReusedError):
            ask_for_adjustment(asked=asked(owing, "11.00"), acting_user=rosa, now=NOON, request_key=key)

    @pytest.mark.parametrize(
        ("changes", "error"),
        [({"amount": "0"}, credits.AmountNotPositiveError), ({"reason": "  ", "amount": "5"}, credits.ReasonMissingError)],
    )
    def test_refuses(self, owing, rosa, changes, error):
        with pytest.raises(error):
            ask_for_adjustment(asked=asked(owing, **changes), acting_user=rosa, now=NOON)
        assert not Adjustment.objects.exists()

    def test_refuses_another_familys_agreement(self, owing, rosa):
        wrong = AdjustmentAsked(AgreementFactory().household, owing, "less", D(5), "Mix-up")
        with pytest.raises(adjustments.NotOfThisHouseholdError):
            ask_for_adjustment(asked=wrong, acting_user=rosa, now=NOON)

    def test_refuses_a_voided_agreement(self, owing, rosa):
        Agreement.objects.filter(pk=owing.pk).update(ended_on=DAY, end_reason="voided")
        with pytest.raises(MoveNotPossibleError):
            ask_for_adjustment(asked=asked(owing, "5.00"), acting_user=rosa, now=NOON)


class TestDecideAdjustment:
    @pytest.fixture
    def waiting(self, owing, rosa):
        return ask_for_adjustment(asked=asked(owing, "120.00"), acting_user=rosa, now=NOON)

    def test_another_manager_grants_it(self, waiting, office):
        mina = ManagerFactory()
        made = decide_adjustment(adjustment=waiting, is_granted=True, note="As agreed", acting_user=mina, now=NOON)
        assert (made.state, made.decided_by, made.credit_note.amount) == ("granted", mina, D("120.00"))
        assert not adjustments.list_waiting().exists()

    def test_a_refusal_posts_nothing(self, waiting):
        decide_adjustment(adjustment=waiting, is_granted=False, note="Too much", acting_user=ManagerFactory(), now=NOON)
        assert queries.sum_balance(waiting.household_id) == D("26.65")

    def test_refuses_a_refusal_without_a_word(self, waiting):
        with pytest.raises(credits.ReasonMissingError):
            decide_adjustment(adjustment=waiting, is_granted=False, note=" ", acting_user=ManagerFactory(), now=NOON)

    def test_refuses_the_asker_even_as_a_manager(self, owing):
        mina = ManagerFactory()
        own = ask_for_adjustment(asked=asked(owing, "120.00"), acting_user=mina, now=NOON)
        with pytest.raises(adjustments.OwnAdjustmentError):
            decide_adjustment(adjustment=own, is_granted=True, note="", acting_user=mina, now=NOON)

    def test_refuses_a_bookkeeper(self, waiting, bookkeeper):
        with pytest.raises(PermissionDenied):
            decide_adjustment(adjustment=waiting, is_granted=True, note="", acting_user=bookkeeper, now=NOON)

    def test_decides_once(self, waiting):
        decide_adjustment(adjustment=waiting, is_granted=True, note="", acting_user=ManagerFactory(), now=NOON)
        with pytest.raises(adjustments.AdjustmentDecidedError):
            decide_adjustment(adjustment=waiting, is_granted=False, note="No", acting_user=ManagerFactory(), now=NOON)
        assert CreditNote.objects.count() == 1


class TestCreditNote:
    def test_pays_lines_but_earns_no_rental_credit(self, owing, rosa):
        ask_for_adjustment(asked=asked(owing, "15.00"), acting_user=rosa, now=NOON)
        assert paid() == [("credit", "Rent", "15.00")]
        assert queries.sum_rental_credit(owing.pk).rent_paid == D("0.00")

    def test_pays_the_agreement_it_names_before_older_debts(self, owing, rosa, bookkeeper):
        other = AgreementFactory(household=owing.household)
        charges.charge_period(agreement=other, period=1, acting_user=bookkeeper, now=NOON)
        ask_for_adjustment(asked=asked(other, "20.00"), acting_user=rosa, now=NOON)
        assert queries.sum_open_lines(owing.household_id, agreement_id=other.pk) == D("6.65")
        assert queries.sum_open_lines(owing.household_id, agreement_id=owing.pk) == D("26.65")

    def test_money_is_used_before_it(self, owing, rosa, bookkeeper):
        # On account 30.00 of credit and 15.00 of money: the next rent of 26.65 takes the money first.
        ask_for_adjustment(asked=asked(owing, "50.00", about=False), acting_user=rosa, now=NOON)
        payments.record_payment(
            household=owing.household, method="cash", amount=D("15.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        charges.charge_period(agreement=owing, period=1, acting_user=bookkeeper, now=NOON)
        assert ("money", "Rent", "15.00") in paid()
        assert queries.sum_rental_credit(owing.pk).rent_paid == D("15.00")

    def test_what_is_left_pays_what_a_run_bills(self, owing, rosa, bookkeeper):
        ask_for_adjustment(asked=asked(owing, "40.00", about=False), acting_user=rosa, now=NOON)
        run = BillingRun.objects.create(through_on=datetime.date(2026, 2, 28), asked_at=NOON, asked_by=bookkeeper)
        runs.continue_run(run.pk, now=NOON)
        assert queries.sum_open_lines(owing.household_id) == D("13.30")

    def test_enlarges_what_it_pays_of_a_line(self, owing, rosa, bookkeeper):
        # The note of 50.00 pays 26.65 of rent and 3.35 of a fee of 10.00 with a payment of 6.65 on it; the payment bounces.
        fee = charges.charge_fee(
            household=owing.household, on=DAY, description="Fee", amount=D("10.00"), acting_user=bookkeeper, now=NOON
        )
        bounced = payments.record_payment(
            household=owing.household, method="cash", amount=D("6.65"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        ask_for_adjustment(asked=asked(owing, "30.00", about=False), acting_user=rosa, now=NOON)
        payments.return_payment(payment=bounced, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        in_force = Allocation.objects.filter(released_at=None)
        assert not in_force.filter(payment=bounced).exists()
        assert sum(a.amount for a in in_force) == D("30.00")
        assert queries.sum_open_lines(owing.household_id) == D("6.65")
        assert fee.lines.get().allocations.filter(released_at=None).count() == 1

    def test_voided_it_releases_and_reverses(self, owing, rosa, bookkeeper):
        note = ask_for_adjustment(asked=asked(owing, "15.00"), acting_user=rosa, now=NOON).credit_note
        credits.void_credit_note(credit_note=note, reason="Wrong family", acting_user=bookkeeper, now=NOON)
        assert paid() == []
        assert balances(chart.ADJUSTMENTS, chart.RECEIVABLES) == [D("0.00"), D("26.65")]
        assert JournalEntry.objects.get(reverses=note.entry).memo.endswith("undone: Wrong family")

    def test_refuses_to_be_voided_twice(self, owing, rosa, bookkeeper):
        note = ask_for_adjustment(asked=asked(owing, "15.00"), acting_user=rosa, now=NOON).credit_note
        credits.void_credit_note(credit_note=note, reason="Wrong family", acting_user=bookkeeper, now=NOON)
        with pytest.raises(credits.CreditNoteVoidedError):
            credits.void_credit_note(credit_note=note, reason="Again", acting_user=bookkeeper, now=NOON)

    def test_is_posted_on_the_first_open_day(self, owing, rosa, bookkeeper):
        from billing.models import ClosedMonth

        for month in (1, 2, 3):
            ClosedMonth.objects.create(first_day=datetime.date(2026, month, 1), closed_at=NOON, closed_by=bookkeeper)
        note = ask_for_adjustment(asked=asked(owing, "15.00"), acting_user=rosa, now=NOON).credit_note
        assert (note.credited_on, note.entry.entry_on) == (ledger.open_from(), datetime.date(2026, 4, 1))


def test_state_is_untouched(owing, rosa):
    ask_for_adjustment(asked=asked(owing, "15.00"), acting_user=rosa, now=NOON)
    assert life.state_of(owing) == "running"

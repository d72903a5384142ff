"""Counting a day down: who, what, and what becomes of a difference.

Figures are a bookkeeper's own sums. That a difference goes to an account of its own, and that a second person confirms a large
one, is common practice (no source).
"""

import datetime
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from billing import charges, chart, deposits, ledger, payments, queries, refunds, reports, verify
from billing.banking import matching
from billing.banking import operations as bank
from billing.models import BankLine, Payment, PaymentReturn, Posting, Taking, TakingCount
from billing.taking import days, operations
from billing.taking.queries import get_count, get_expected
from tests.agreements.factories import OfficeFactory
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory
from tests.factories import ManagerFactory, SpecialistFactory

D = Decimal
pytestmark = pytest.mark.django_db


@pytest.fixture
def clerk(db):
    OfficeFactory()
    return SpecialistFactory()


@pytest.fixture
def manager(db):
    return ManagerFactory()


def take(clerk, amount="30.00", method="cash", number="", now=NOON, household=None):
    return payments.record_payment(
        household=household or HouseholdFactory(), method=method, amount=D(amount), received_on=DAY, cheque_number=number,
        acting_user=clerk, now=now,
    )  # fmt: skip


def count(clerk, pieces, cheques=(), reason="", now=NOON):
    taking = Taking.objects.get(person=clerk)
    counted = operations.CountedDown(pieces, frozenset(each.pk for each in cheques), reason)
    return operations.count_down(taking=taking, counted=counted, acting_user=clerk, now=now)


def on_account(code):
    return sum((p.amount for p in Posting.objects.filter(account=code)), D(0))


def meet(deposit, clerk):
    """Match a line of the bank with a deposit."""
    content = ofx1(line("A1", str(deposit.amount), deposit.deposited_on))
    file = bank.read_file(content=content, file_name="march.ofx", acting_user=clerk, now=NOON)
    answers = {each["fingerprints"][0]: bank.AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    bank.take_in(file=file, answers=answers, same_lines=(), acting_user=clerk, now=NOON)
    parts = [matching.Part("entry", entry_id=deposit.entry_id)]
    matching.match_line(line=BankLine.objects.get(), parts=parts, how="hand", acting_user=clerk, now=NOON)


class TestBelonging:
    def test_cash_and_checks_belong_to_who_took_them_that_day(self, clerk):
        other = SpecialistFactory()
        mine = [take(clerk), take(clerk, method="cheque", number="1041")]
        theirs = take(other)
        assert {each.taking_id for each in mine} == {Taking.objects.get(person=clerk, day=DAY).pk}
        assert theirs.taking.person == other

    def test_the_day_is_the_offices_own(self, clerk):
        late = datetime.datetime(2026, 3, 11, 3, 30, tzinfo=datetime.UTC)
        assert take(clerk, now=late).taking.day == DAY

    def test_what_goes_to_the_bank_by_itself_belongs_to_nobodys(self, clerk):
        assert [take(clerk, method=way).taking for way in ("transfer", "card", "debit")] == [None] * 3

    def test_a_batch_belongs_too(self, clerk):
        from billing import batches

        row = batches.PaymentTaken(HouseholdFactory().pk, "cash", D(5), DAY, NOON)
        other = batches.PaymentTaken(HouseholdFactory().pk, "transfer", D(5), DAY, NOON)
        made = batches.record_payments(taken=[row, other], acting_user=clerk)
        assert [each.taking_id is None for each in made] == [False, True]


class TestCountDown:
    def test_closes_a_day_that_fits(self, clerk):
        take(clerk, "30.00")
        cheque = take(clerk, "26.65", "cheque", "1041")
        made = count(clerk, {2000: 1, 1000: 1}, [cheque])
        assert (made.closed_by, made.difference, made.entry, made.cheque_sum) == (clerk, D(0), None, D("26.65"))

    def test_takes_nothing_more_once_closed(self, clerk):
        take(clerk)
        count(clerk, {1000: 3})
        with pytest.raises(days.TakingClosedError, match=r"counted down\. Let somebody else take this one"):
            take(clerk)
        assert Payment.objects.count() == 1
        assert take(SpecialistFactory()).pk
        assert take(clerk, method="transfer").pk
        assert take(clerk, now=NOON + datetime.timedelta(days=1)).taking.day == DAY + datetime.timedelta(days=1)

    def test_leaves_cash_paid_back_out_of_it(self, clerk):
        family = HouseholdFactory()
        take(clerk, "80.00", household=family)
        given = refunds.RefundGiven("cash", D("20.00"), DAY, "Overpaid")
        refunds.make_refund(household=family, given=given, acting_user=clerk, now=NOON)
        assert count(clerk, {2000: 3}).difference == 0

    def test_leaves_what_went_to_the_bank_before_out_of_it(self, clerk):
        early = take(clerk, "50.00")
        take(clerk, "10.00")
        deposits.make_deposit(payments=[early], deposited_on=DAY, acting_user=clerk, now=NOON)
        assert count(clerk, {1000: 1}).difference == 0

    def test_asks_for_every_check(self, clerk):
        cheque = take(clerk, "26.65", "cheque", "1041")
        with pytest.raises(operations.ChequesNotTickedError, match=r"Not ticked: check 1041 over \$26\.65"):
            count(clerk, {})
        assert count(clerk, {}, [cheque]).closed_at

    def test_asks_why_it_differs(self, clerk):
        take(clerk)
        with pytest.raises(operations.DifferenceNeedsReasonError, match=r"\$1\.00 short: \$30\.00 should be there"):
            count(clerk, {100: 29})

    @pytest.mark.parametrize(("pieces", "apart"), [({100: 29, 25: 3}, "-0.25"), ({100: 32}, "2.00")])
    def test_posts_a_small_difference_at_once(self, clerk, pieces, apart):
        take(clerk)
        made = count(clerk, pieces, reason="Wrong change")
        assert (made.closed_by, made.difference) == (clerk, D(apart))
        assert (on_account(chart.CASH_DIFFERENCES), on_account(chart.UNDEPOSITED)) == (-D(apart), D(30) + D(apart))

    def test_nobody_counts_for_another(self, clerk, manager):
        take(clerk)
        with pytest.raises(PermissionDenied):
            operations.count_down(
                taking=Taking.objects.get(), counted=operations.CountedDown({1000: 3}, frozenset()), acting_user=manager, now=NOON
            )

    def test_counts_once(self, clerk):
        take(clerk)
        count(clerk, {1000: 3})
        with pytest.raises(days.TakingClosedError):
            count(clerk, {1000: 3})


class TestSecondPerson:
    @pytest.fixture
    def waiting(self, clerk):
        take(clerk)
        return count(clerk, {1000: 2}, reason="A note is gone")

    def test_a_large_difference_waits_and_posts_nothing(self, waiting):
        assert (waiting.needs_second, waiting.closed_at, on_account(chart.CASH_DIFFERENCES)) == (True, None, D(0))
        with pytest.raises(days.TakingClosedError):
            take(waiting.counted_by)

    def test_the_limit_itself_needs_nobody(self, clerk):
        take(clerk)
        assert count(clerk, {500: 5}, reason="A note is gone").closed_by == clerk

    def test_a_manager_confirms(self, waiting, manager):
        made = operations.confirm_count(taking=waiting.taking, acting_user=manager, now=NOON)
        assert (made.closed_by, on_account(chart.CASH_DIFFERENCES)) == (manager, D(10))

    def test_a_specialist_does_not(self, waiting):
        with pytest.raises(PermissionDenied):
            operations.confirm_count(taking=waiting.taking, acting_user=SpecialistFactory(), now=NOON)

    def test_nobody_confirms_his_own(self, manager):
        take(manager)
        made = count(manager, {1000: 2}, reason="A note is gone")
        with pytest.raises(operations.OwnCountError):
            operations.confirm_count(taking=made.taking, acting_user=manager, now=NOON)

    def test_confirms_once(self, waiting, manager):
        operations.confirm_count(taking=waiting.taking, acting_user=manager, now=NOON)
        with pytest.raises(operations.NotWaitingError):
            operations.confirm_count(taking=waiting.taking, acting_user=manager, now=NOON)


class TestReopen:
    def test_takes_the_difference_back_and_counts_anew(self, clerk, manager):
        take(clerk)
        first = count(clerk, {100: 29}, reason="Wrong change")
        operations.reopen(taking=first.taking, reason="The dollar lay under the tray", acting_user=manager, now=NOON)
        assert on_account(chart.CASH_DIFFERENCES) == 0
        take(clerk, "10.00")
        assert count(clerk, {1000: 4}).difference == 0
        assert TakingCount.objects.count() == 2

    def test_needs_a_manager_and_a_reason(self, clerk, manager):
        take(clerk)
        made = count(clerk, {1000: 3})
        with pytest.raises(PermissionDenied):
            operations.reopen(taking=made.taking, reason="More", acting_user=clerk, now=NOON)
        with pytest.raises(operations.ReasonMissingError):
            operations.reopen(taking=made.taking, reason=" ", acting_user=manager, now=NOON)

    def test_not_what_is_open(self, clerk, manager):
        take(clerk)
        with pytest.raises(operations.NotClosedError):
            operations.reopen(taking=Taking.objects.get(), reason="More", acting_user=manager, now=NOON)

    def test_not_once_the_difference_is_deposited(self, clerk, manager):
        cash = take(clerk)
        made = count(clerk, {100: 29}, reason="Wrong change")
        deposits.make_deposit(payments=[cash], deposited_on=DAY, acting_user=clerk, now=NOON)
        with pytest.raises(operations.DifferenceDepositedError, match="D-000001"):
            operations.reopen(taking=made.taking, reason="More", acting_user=manager, now=NOON)


class TestVoid:
    def test_keeps_the_number_and_owes_it_again(self, clerk):
        agreement = AgreementFactory()
        charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
        paid = take(clerk, "26.65", household=agreement.household)
        operations.void_payment(payment=paid, reason="Wrong family", acting_user=clerk, now=NOON)
        assert queries.sum_balance(agreement.household_id) == D("26.65")
        assert Payment.objects.get().number == paid.number
        assert Payment.objects.get().payment_return.kind == PaymentReturn.Kind.MISTAKE
        assert get_expected(Taking.objects.get()).cash == 0
        [row] = reports.list_taken_back(begins_on=DAY, through_on=DAY)
        assert (row.what, row.reason) == ("Payment voided", "Wrong family")

    def test_only_on_its_day(self, clerk):
        paid = take(clerk)
        with pytest.raises(operations.NotAMistakeError, match="on its own day"):
            operations.void_payment(payment=paid, reason="Late", acting_user=clerk, now=NOON + datetime.timedelta(days=1))

    def test_only_before_the_count(self, clerk, manager):
        paid = take(clerk)
        made = count(clerk, {1000: 3})
        with pytest.raises(operations.NotAMistakeError, match="Let a manager open the day again, void it, and count anew"):
            operations.void_payment(payment=paid, reason="Late", acting_user=clerk, now=NOON)
        operations.reopen(taking=made.taking, reason="Taken twice", acting_user=manager, now=NOON)
        operations.void_payment(payment=paid, reason="Taken twice", acting_user=clerk, now=NOON)
        assert count(clerk, {}).difference == 0

    def test_only_what_is_in_the_drawer(self, clerk):
        moved, paid = take(clerk, method="transfer"), take(clerk)
        with pytest.raises(operations.NotAMistakeError, match="undo that match"):
            operations.void_payment(payment=moved, reason="Wrong", acting_user=clerk, now=NOON)
        deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=clerk, now=NOON)
        with pytest.raises(operations.NotAMistakeError, match="went to the bank"):
            operations.void_payment(payment=paid, reason="Wrong", acting_user=clerk, now=NOON)

    @pytest.mark.parametrize(("method", "path"), [("cash", "Pay it back as a refund"), ("cheque", "use Returned by the bank")])
    def test_says_what_to_do_once_the_banks_line_shows_it(self, clerk, method, path):
        paid = take(clerk, method=method, number="1041" if method == "cheque" else "")
        deposit = deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=clerk, now=NOON)
        meet(deposit, clerk)
        with pytest.raises(operations.NotAMistakeError, match=f"{deposit.number}, and the bank’s line shows it.*{path}"):
            operations.void_payment(payment=paid, reason="Wrong", acting_user=clerk, now=NOON)

    @pytest.mark.parametrize(("method", "path"), [("card", "Pay it back to the card"), ("debit", "file of returns")])
    def test_says_how_money_that_came_another_way_goes_back(self, clerk, method, path):
        paid = take(clerk, method=method)
        with pytest.raises(operations.NotAMistakeError, match=path):
            operations.void_payment(payment=paid, reason="Wrong", acting_user=clerk, now=NOON)

    def test_only_by_who_took_it_or_a_manager(self, clerk, manager):
        paid = take(clerk)
        with pytest.raises(PermissionDenied):
            operations.void_payment(payment=paid, reason="Wrong", acting_user=SpecialistFactory(), now=NOON)
        assert operations.void_payment(payment=paid, reason="Wrong", acting_user=manager, now=NOON).pk

    def test_once(self, clerk):
        paid = take(clerk)
        operations.void_payment(payment=paid, reason="Wrong", acting_user=clerk, now=NOON)
        with pytest.raises(payments.PaymentReturnedError):
            operations.void_payment(payment=paid, reason="Wrong", acting_user=clerk, now=NOON)


class TestVoidARefund:
    """Cash paid back: voided while its day is open; counted down, it is the day that is opened again first."""

    @pytest.fixture
    def refund(self, clerk):
        household = HouseholdFactory()
        take(clerk, household=household)
        given = refunds.RefundGiven("cash", D("10.00"), DAY, "Paid too much")
        return refunds.make_refund(household=household, given=given, acting_user=clerk, now=NOON)

    def void(self, refund, clerk):
        return charges.void_charge(charge=refund.charge, reason="Never paid out", acting_user=clerk, now=NOON)

    def test_while_its_day_is_open(self, clerk, refund):
        self.void(refund, clerk)
        assert get_expected(Taking.objects.get()).cash == D("30.00")

    def test_not_once_it_was_counted_and_says_the_path(self, clerk, manager, refund):
        made = count(clerk, {1000: 2})
        with pytest.raises(charges.RefundCountedError, match="let a manager open that day again"):
            self.void(refund, clerk)
        operations.reopen(taking=made.taking, reason="Never paid out", acting_user=manager, now=NOON)
        self.void(refund, clerk)
        assert count(clerk, {1000: 3}).difference == 0
        assert [found for _, found in verify.run_checks() if found] == []

    def test_not_while_a_difference_waits(self, clerk, refund):
        count(clerk, {}, reason="Drawer was empty")
        with pytest.raises(charges.RefundCountedError):
            self.void(refund, clerk)

    def test_a_check_paid_back_is_counted_with_no_day(self, clerk):
        household = HouseholdFactory()
        take(clerk, household=household)
        given = refunds.RefundGiven("cheque", D("10.00"), DAY, "Paid too much", "2001")
        refund = refunds.make_refund(household=household, given=given, acting_user=clerk, now=NOON)
        count(clerk, {1000: 3})
        assert self.void(refund, clerk).void_entry_id


class TestDeposit:
    def test_comes_to_what_was_counted(self, clerk):
        """30.00 in the books, 29.00 in the bag: the bank gets 29.00 and nothing is left on hand."""
        cash, cheque = take(clerk), take(clerk, "26.65", "cheque", "1041")
        made = count(clerk, {100: 29}, [cheque], reason="Wrong change")
        deposit = deposits.make_deposit(payments=[cash, cheque], deposited_on=DAY, acting_user=clerk, now=NOON)
        assert (deposit.amount, on_account(chart.UNDEPOSITED), on_account(chart.BANK)) == (D("55.65"), D(0), D("55.65"))
        made.refresh_from_db()
        assert made.deposit == deposit

    def test_checks_alone_take_no_difference_along(self, clerk):
        take(clerk)
        cheque = take(clerk, "26.65", "cheque", "1041")
        count(clerk, {100: 29}, [cheque], reason="Wrong change")
        assert deposits.make_deposit(payments=[cheque], deposited_on=DAY, acting_user=clerk, now=NOON).amount == D("26.65")

    def test_never_less_than_nothing(self, clerk):
        """All of 2.00 is gone: the deposit of another day's 1.00 cannot carry it, the next one of 30.00 does."""
        take(clerk, "2.00")
        count(clerk, {}, reason="Drawer was empty")
        tomorrow = NOON + datetime.timedelta(days=1)
        small, large = take(clerk, "1.00", now=tomorrow), take(clerk, "30.00", now=tomorrow)
        lost = Payment.objects.get(amount=2)
        assert deposits.make_deposit(payments=[small], deposited_on=DAY, acting_user=clerk, now=NOON).amount == D(1)
        assert deposits.make_deposit(payments=[large], deposited_on=DAY, acting_user=clerk, now=NOON).amount == D(28)
        assert deposits.make_deposit(payments=[lost], deposited_on=DAY, acting_user=clerk, now=NOON).amount == D(2)
        assert on_account(chart.UNDEPOSITED) == 0


def test_the_books_verify(clerk, manager):
    cash = take(clerk)
    operations.void_payment(payment=take(clerk), reason="Twice", acting_user=clerk, now=NOON)
    first = count(clerk, {1000: 2}, reason="A note is gone")
    operations.confirm_count(taking=first.taking, acting_user=manager, now=NOON)
    operations.reopen(taking=first.taking, reason="Found it", acting_user=manager, now=NOON)
    count(clerk, {1000: 3, 1: 1}, reason="A cent too many")
    deposits.make_deposit(payments=[cash], deposited_on=DAY, acting_user=clerk, now=NOON)
    assert [found for _, found in verify.run_checks() if found] == []
    assert get_count(first.taking).difference == D("0.01")


def test_a_closed_month_takes_no_difference(clerk, manager):
    take(clerk)
    made = count(clerk, {1000: 2}, reason="A note is gone")
    from billing import months

    months.close_month(first_day=datetime.date(2026, 3, 1), acting_user=manager, now=NOON, today=datetime.date(2026, 4, 2))
    entry = operations.confirm_count(taking=made.taking, acting_user=manager, now=NOON).entry
    assert entry.entry_on == ledger.open_from() == datetime.date(2026, 4, 1)

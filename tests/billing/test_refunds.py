"""Money paid back: out of what is on account only, and owed again when the money it came from bounces."""

import datetime
import uuid
from decimal import Decimal

import pytest

from billing import charges, chart, credits, deposits, payments, queries, verify
from billing.banking.outstanding import list_outstanding
from billing.models import Account, CreditNote, Refund
from billing.payments import ChequeNumberMissingError
from billing.refunds import (
    CreditIsNotMoneyError,
    MoreThanUnusedError,
    RefundGiven,
    StillOwingError,
    get_on_account,
    make_refund,
)
from tests.billing.factories import DAY, NOON

D = Decimal


def pay(household, amount, bookkeeper, **options):
    given = {"method": "cash", "received_on": DAY, **options}
    return payments.record_payment(household=household, amount=D(amount), acting_user=bookkeeper, now=NOON, **given)


def given(amount, method="cheque", **changes):
    number = "2001" if method == "cheque" else ""
    return RefundGiven(method, D(amount), DAY, "Overpaid", **{"cheque_number": number, **changes})


def balances(*codes):
    return [sum((p.amount for p in Account.objects.get(code=code).postings.all()), D("0.00")) for code in codes]


@pytest.fixture
def ahead(agreement, bookkeeper):
    """26.65 billed and 40.00 paid by check: 13.35 on account."""
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    pay(agreement.household, "40.00", bookkeeper, method="cheque", cheque_number="77")
    return agreement.household


def credited(household, amount, bookkeeper):
    return credits.write_credit_note(
        household=household, agreement=None, kind=CreditNote.Kind.ADJUSTMENT, amount=D(amount), reason="Sorry", on=DAY,
        acting_user=bookkeeper, now=NOON,
    )  # fmt: skip


class TestMakeRefund:
    @pytest.mark.parametrize(
        ("method", "on_hand", "bank"), [("cash", "26.65", "0.00"), ("cheque", "40.00", "-13.35"), ("transfer", "40.00", "-13.35")]
    )
    def test_posts_where_the_money_leaves(self, ahead, bookkeeper, method, on_hand, bank):
        make_refund(household=ahead, given=given("13.35", method), acting_user=bookkeeper, now=NOON)
        assert balances(chart.UNDEPOSITED, chart.BANK, chart.RECEIVABLES) == [D(on_hand), D(bank), D("0.00")]
        assert [found for _, found in verify.run_checks() if found] == []

    def test_uses_what_was_on_account(self, ahead, bookkeeper):
        refund = make_refund(household=ahead, given=given("10.00"), acting_user=bookkeeper, now=NOON)
        assert get_on_account(ahead.pk, today=DAY).total == D("3.35")
        assert queries.charge_on_account(refund.charge).open == D("0.00")

    def test_is_owed_when_its_money_bounces(self, ahead, bookkeeper):
        refund = make_refund(household=ahead, given=given("13.35"), acting_user=bookkeeper, now=NOON)
        payments.return_payment(
            payment=ahead.payments.get(), reason="Insufficient funds", returned_on=DAY, acting_user=bookkeeper, now=NOON
        )
        assert queries.charge_on_account(refund.charge).open == D("13.35")
        assert queries.sum_balance(ahead.pk) == D("40.00")

    def test_refuses_more_than_is_there_and_says_how_much_is(self, ahead, bookkeeper):
        with pytest.raises(MoreThanUnusedError, match=r"only \$13\.35 is on account"):
            make_refund(household=ahead, given=given("13.36"), acting_user=bookkeeper, now=NOON)
        assert not Refund.objects.exists()

    def test_refuses_while_something_is_open(self, ahead, bookkeeper, agreement):
        charges.charge_period(agreement=agreement, period=1, acting_user=bookkeeper, now=NOON)
        with pytest.raises(StillOwingError, match=r"\$13\.30"):
            make_refund(household=ahead, given=given("1.00"), acting_user=bookkeeper, now=NOON)

    def test_refuses_credit_as_money_unless_told(self, ahead, bookkeeper):
        credited(ahead, "5.00", bookkeeper)
        with pytest.raises(CreditIsNotMoneyError, match=r"paid in \$13\.35; the other \$5\.00 is credit"):
            make_refund(household=ahead, given=given("14.00"), acting_user=bookkeeper, now=NOON)
        make_refund(household=ahead, given=given("14.00", pays_out_credit=True), acting_user=bookkeeper, now=NOON)
        assert get_on_account(ahead.pk, today=DAY).total == D("4.35")

    def test_refuses_a_check_without_its_number(self, ahead, bookkeeper):
        with pytest.raises(ChequeNumberMissingError):
            make_refund(household=ahead, given=given("1.00", cheque_number=" "), acting_user=bookkeeper, now=NOON)

    def test_sent_twice_pays_once(self, ahead, bookkeeper):
        key = uuid.uuid4()
        made = [
            make_refund(household=ahead, given=given("5.00"), acting_user=bookkeeper, now=NOON, request_key=key) for _ in range(2)
        ]
        assert (made[0], Refund.objects.count()) == (made[1], 1)

    def test_knows_the_checks_that_may_still_come_back(self, ahead, bookkeeper):
        assert get_on_account(ahead.pk, today=DAY).young_checks == ("P-000001",)
        assert get_on_account(ahead.pk, today=DAY + datetime.timedelta(days=10)).young_checks == ()


class TestRefundAtTheBank:
    def test_waits_for_its_line_as_money_out(self, ahead, bookkeeper):
        make_refund(household=ahead, given=given("13.35"), acting_user=bookkeeper, now=NOON)
        waiting = list_outstanding()
        assert [(item.amount, item.kind, item.household_id) for item in waiting] == [(D("-13.35"), "refund", ahead.pk)]
        assert waiting[0].title == f"Refund, check 2001, {ahead.name} {ahead.number}"

    def test_cash_never_comes_to_the_bank(self, ahead, bookkeeper):
        make_refund(household=ahead, given=given("13.35", "cash"), acting_user=bookkeeper, now=NOON)
        assert list_outstanding() == []

    def test_voided_it_waits_no_more(self, ahead, bookkeeper):
        refund = make_refund(household=ahead, given=given("13.35"), acting_user=bookkeeper, now=NOON)
        charges.void_charge(charge=refund.charge, reason="Check spoiled", acting_user=bookkeeper, now=NOON)
        assert list_outstanding() == []
        assert get_on_account(ahead.pk, today=DAY).total == D("13.35")


class TestCashPaidBack:
    def test_makes_the_next_deposit_smaller(self, agreement, bookkeeper):
        paid = pay(agreement.household, "50.00", bookkeeper)
        refund = make_refund(household=agreement.household, given=given("20.00", "cash"), acting_user=bookkeeper, now=NOON)
        deposit = deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        refund.refresh_from_db()
        assert (deposit.amount, refund.deposit) == (D("30.00"), deposit)
        assert balances(chart.UNDEPOSITED, chart.BANK) == [D("0.00"), D("30.00")]
        assert [found for _, found in verify.run_checks() if found] == []

    def test_does_not_touch_a_deposit_of_checks(self, ahead, agreement, bookkeeper):
        make_refund(household=ahead, given=given("10.00", "cash"), acting_user=bookkeeper, now=NOON)
        deposit = deposits.make_deposit(payments=list(ahead.payments.all()), deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        assert deposit.amount == D("40.00")

    def test_refuses_to_be_voided_once_it_is_in_a_deposit(self, agreement, bookkeeper):
        paid = pay(agreement.household, "50.00", bookkeeper)
        refund = make_refund(household=agreement.household, given=given("20.00", "cash"), acting_user=bookkeeper, now=NOON)
        deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        with pytest.raises(charges.RefundLeftError):
            charges.void_charge(charge=refund.charge, reason="Mistake", acting_user=bookkeeper, now=NOON)

"""Payments as worked tables: what pays what, what comes back, what goes to the bank."""

import datetime
import uuid
from decimal import Decimal

import pytest
from djmoney.money import Money

from billing import charges, chart, deposits, ledger, payments, queries
from billing.models import Allocation, Deposit, Payment, PaymentReturn
from rentals.staff.operations import RequestKeyReusedError
from tests.billing.factories import DAY, NOON, AgreementFactory, FollowingAgreementFactory, HouseholdFactory, TaxAreaFactory

D = Decimal


def pay(household, amount, bookkeeper, **options):
    given = {"method": "cash", "received_on": DAY, **options}
    return payments.record_payment(household=household, amount=D(amount), acting_user=bookkeeper, now=NOON, **given)


def paid_lines():
    """What is paid, line by line: due, what, how much."""
    rows = Allocation.objects.filter(released_at=None).order_by("payment_id", "id").select_related("line__charge")
    return [(f"{a.line.charge.due_on:%m-%d}", a.line.description, str(a.amount)) for a in rows]


def balance_of(account):
    return sum(p.amount for p in account.postings.all())


@pytest.fixture
def everything_due_one_day(bookkeeper):
    """Two agreements of one household, goods and a fee, all due January 31; and rent due February 28."""
    area = TaxAreaFactory(code="all-taxed", rates={"rent": "0.1", "protection": "0.1", "goods": "0.1"})
    first = AgreementFactory(tax_area=area)
    second = AgreementFactory(household=first.household, tax_area=area, monthly_rent=Money("10.00", "USD"))
    household, on = first.household, datetime.date(2026, 1, 31)
    charges.charge_fee(household=household, on=on, description="Late fee", amount=D("3.00"), acting_user=bookkeeper, now=NOON)
    charges.charge_goods(
        household=household, on=on, goods=[charges.Goods("Reeds", D("8.00"))], tax_area=area, acting_user=bookkeeper, now=NOON
    )
    charges.charge_period(agreement=first, period=1, acting_user=bookkeeper, now=NOON)
    charges.charge_period(agreement=second, period=0, acting_user=bookkeeper, now=NOON)
    charges.charge_period(agreement=first, period=0, acting_user=bookkeeper, now=NOON)
    return household


class TestRecordPayment:
    def test_pays_in_the_order_of_the_house(self, everything_due_one_day, bookkeeper):
        # Oldest due date first; within it rent and its tax, protection and its tax, goods, fees last.
        pay(everything_due_one_day, "56.80", bookkeeper)
        assert paid_lines() == [
            ("01-31", "Rent", "10.00"),
            ("01-31", "Sales tax on rent", "1.00"),
            ("01-31", "Rent", "20.00"),
            ("01-31", "Sales tax on rent", "2.00"),
            ("01-31", "Protection", "5.00"),
            ("01-31", "Sales tax on protection", "0.50"),
            ("01-31", "Protection", "5.00"),
            ("01-31", "Sales tax on protection", "0.50"),
            ("01-31", "Reeds", "8.00"),
            ("01-31", "Sales tax on goods", "0.80"),
            ("01-31", "Late fee", "3.00"),
            ("02-28", "Rent", "1.00"),
        ]

    def test_says_beforehand_exactly_what_it_then_pays(self, everything_due_one_day, bookkeeper):
        told, left = queries.list_would_pay(everything_due_one_day.pk, D("33.33"))
        pay(everything_due_one_day, "33.33", bookkeeper)
        assert [(f"{t.due_on:%m-%d}", t.description, str(t.amount)) for t in told] == paid_lines()
        assert left == 0

    def test_finishes_a_line_that_was_paid_in_part(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        for amount in ("7.00", "7.00", "7.00", "7.00"):
            pay(agreement.household, amount, bookkeeper)
        assert [amount for _, _, amount in paid_lines()] == ["7.00", "7.00", "6.00", "1.00", "0.65", "5.00"]
        assert queries.sum_balance(agreement.household_id) == D("-1.35")

    def test_posts_cash_and_checks_on_hand_and_transfers_at_the_bank(self, bookkeeper):
        household = HouseholdFactory()
        made = [
            pay(household, "1.00", bookkeeper),
            pay(household, "2.00", bookkeeper, method="cheque", cheque_number="77"),
            pay(household, "3.00", bookkeeper, method="transfer"),
        ]
        accounts = [p.entry.postings.get(amount__gt=0).account_id for p in made]
        assert accounts == [chart.UNDEPOSITED, chart.UNDEPOSITED, chart.BANK]
        assert [p.number for p in made] == ["P-000001", "P-000002", "P-000003"]

    def test_sent_again_gives_the_same_answer(self, bookkeeper):
        household, key = HouseholdFactory(), uuid.uuid4()
        first, second = (pay(household, "20.00", bookkeeper, request_key=key) for _ in range(2))
        assert (first.pk, Payment.objects.count()) == (second.pk, 1)

    def test_refuses_a_key_that_was_used_for_something_else(self, bookkeeper):
        household, key = HouseholdFactory(), uuid.uuid4()
        pay(household, "20.00", bookkeeper, request_key=key)
        with pytest.raises(RequestKeyReusedError):
            pay(household, "21.00", bookkeeper, request_key=key)

    def test_refuses_nothing_and_a_check_without_number(self, bookkeeper):
        household = HouseholdFactory()
        with pytest.raises(payments.AmountNotPositiveError):
            pay(household, "0.00", bookkeeper)
        with pytest.raises(payments.ChequeNumberMissingError):
            pay(household, "1.00", bookkeeper, method="cheque", cheque_number=" ")


class TestReturnPayment:
    def test_owes_everything_again_and_takes_the_credit_along(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        payment = pay(agreement.household, "26.65", bookkeeper)
        assert queries.sum_rental_credit(agreement.pk).credit == D("20.00")
        payments.return_payment(payment=payment, reason="Insufficient funds", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        account = queries.get_household_account(agreement.household_id, today=DAY)
        assert (account.balance, account.open, account.unapplied) == (D("26.65"), D("26.65"), D("0.00"))
        assert account.credit[agreement.pk].credit == 0
        assert account.payments[0].return_reason == "Insufficient funds"
        assert (account.overdue, account.overdue_since) == (D("26.65"), datetime.date(2026, 1, 31))

    def test_lets_other_money_on_account_pay_instead(self, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        bounced = pay(agreement.household, "26.65", bookkeeper)
        pay(agreement.household, "30.00", bookkeeper)
        payments.return_payment(payment=bounced, reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        account = queries.get_household_account(agreement.household_id, today=DAY)
        assert (account.balance, account.open, account.unapplied) == (D("-3.35"), D("0.00"), D("3.35"))

    def test_takes_the_money_from_where_it_is(self, bookkeeper):
        household = HouseholdFactory()
        on_hand, deposited = pay(household, "5.00", bookkeeper), pay(household, "7.00", bookkeeper)
        deposits.make_deposit(payments=[deposited], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        returns = [
            payments.return_payment(payment=p, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
            for p in (on_hand, deposited)
        ]
        accounts = [r.entry.postings.get(amount__lt=0).account_id for r in returns]
        assert accounts == [chart.UNDEPOSITED, chart.BANK]

    def test_refuses_twice_and_before_it_was_received(self, bookkeeper):
        payment = pay(HouseholdFactory(), "5.00", bookkeeper)
        with pytest.raises(payments.ReturnedBeforeReceivedError):
            payments.return_payment(
                payment=payment, reason="Other", returned_on=DAY - datetime.timedelta(days=1), acting_user=bookkeeper, now=NOON
            )
        payments.return_payment(payment=payment, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        with pytest.raises(payments.PaymentReturnedError):
            payments.return_payment(payment=payment, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        assert PaymentReturn.objects.count() == 1


class TestMakeDeposit:
    def test_is_the_sum_of_its_payments(self, bookkeeper):
        made = [pay(HouseholdFactory(), amount, bookkeeper) for amount in ("20.10", "0.05", "31.00")]
        deposit = deposits.make_deposit(payments=made, deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        assert (deposit.number, deposit.amount) == ("D-000001", D("51.15"))
        assert {p.account_id: p.amount for p in deposit.entry.postings.all()} == {
            chart.BANK: D("51.15"),
            chart.UNDEPOSITED: D("-51.15"),
        }
        assert not queries.list_undeposited().exists()

    def test_refuses_what_is_not_on_hand(self, bookkeeper):
        household = HouseholdFactory()
        here, there = pay(household, "1.00", bookkeeper), pay(household, "2.00", bookkeeper, method="transfer")
        back = pay(household, "3.00", bookkeeper)
        payments.return_payment(payment=back, reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        with pytest.raises(deposits.NotOnHandError) as refused:
            deposits.make_deposit(payments=[here, there, back], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        assert refused.value.numbers == [there.number, back.number]
        with pytest.raises(deposits.NothingToDepositError):
            deposits.make_deposit(payments=[], deposited_on=DAY, acting_user=bookkeeper, now=NOON)

    def test_refuses_a_day_before_they_were_received(self, bookkeeper):
        paid = payments.record_payment(
            household=HouseholdFactory(), method="cash", amount=D("30.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        before = DAY - datetime.timedelta(days=1)
        with pytest.raises(deposits.ReceivedLaterError, match=rf"Received after Mar 9, 2026: {paid.number} on Mar 10, 2026\."):
            deposits.make_deposit(payments=[paid], deposited_on=before, acting_user=bookkeeper, now=NOON)
        assert not Deposit.objects.exists()


class TestRentalCredit:
    def test_counts_rent_paid_along_the_chain_and_nothing_else(self, agreement, bookkeeper):
        # 20.00 rent paid on the first, 10.00 of 30.00 on the second; half of it for a better instrument.
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        charges.charge_fee(
            household=agreement.household, on=DAY, description="Late fee", amount=D("5.00"), acting_user=bookkeeper, now=NOON
        )
        follower = FollowingAgreementFactory(
            follows=agreement,
            starts_on=datetime.date(2026, 3, 1),
            monthly_rent=Money("30.00", "USD"),
        )
        charges.charge_period(agreement=follower, period=0, acting_user=bookkeeper, now=NOON)
        pay(agreement.household, "36.65", bookkeeper)
        earned = queries.sum_rental_credit(follower.pk)
        assert (earned.rent_paid, earned.credit, earned.step_up_credit) == (D("30.00"), D("30.00"), D("15.00"))
        assert queries.sum_rental_credit(agreement.pk).rent_paid == D("20.00")

    def test_a_voided_charge_earns_nothing(self, agreement, bookkeeper):
        charge = charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
        pay(agreement.household, "26.65", bookkeeper)
        charges.void_charge(charge=charge, reason="Not ready", acting_user=bookkeeper, now=NOON)
        assert queries.sum_rental_credit(agreement.pk).credit == 0


class TestClosedMonth:
    def test_refuses_a_payment_into_it(self, bookkeeper):
        from billing.models import ClosedMonth

        ClosedMonth.objects.create(first_day=DAY.replace(day=1), closed_at=NOON, closed_by=bookkeeper)
        with pytest.raises(ledger.MonthClosedError) as refused:
            pay(HouseholdFactory(), "1.00", bookkeeper)
        assert refused.value.open_from == datetime.date(2026, 4, 1)
        assert not Payment.objects.exists()

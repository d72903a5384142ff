"""Reports of the books: receivables taken apart, money on account with its age, gaps and voids."""

import datetime
from decimal import Decimal

import pytest

from billing import charges, chart, credits, payments, reports
from billing.models import Posting
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory

D = Decimal


def pay(household, amount, bookkeeper, on=DAY):
    return payments.record_payment(
        household=household, method="cash", amount=D(amount), received_on=on, acting_user=bookkeeper, now=NOON
    )


def credit(household, amount, bookkeeper):
    return credits.write_credit_note(
        household=household, agreement=None, kind="adjustment", amount=D(amount), reason="Sorry", on=DAY,
        acting_user=bookkeeper, now=NOON,
    )  # fmt: skip


@pytest.fixture
def two_families(agreement, bookkeeper):
    """One owes 26.65; the other has 40.00 of its own and 5.00 of credit on account."""
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    ahead = HouseholdFactory(name="Ahead")
    pay(ahead, "30.00", bookkeeper, on=datetime.date(2026, 2, 1))
    pay(ahead, "10.00", bookkeeper)
    credit(ahead, "5.00", bookkeeper)
    return agreement.household, ahead


class TestTrialBalance:
    def test_takes_the_control_account_apart(self, two_families):
        rows = {row.name: row for row in reports.list_trial_balance(DAY)}
        assert (rows["Owed by families"].debit, rows[reports.ON_ACCOUNT].credit) == (D("26.65"), D("45.00"))
        assert rows[reports.ON_ACCOUNT].kind == "Liability"

    def test_both_lines_are_the_control_account(self, two_families):
        control = sum(p.amount for p in Posting.objects.filter(account_id=chart.RECEIVABLES))
        rows = [row for row in reports.list_trial_balance(DAY) if row.code == chart.RECEIVABLES]
        assert sum(row.balance for row in rows) == control == reports.split_receivables().control

    def test_still_balances(self, two_families):
        assert sum(row.balance for row in reports.list_trial_balance(DAY)) == 0

    def test_knows_an_earlier_day(self, two_families):
        split = reports.split_receivables(datetime.date(2026, 2, 1))
        assert (split.owed, split.on_account) == (D("26.65"), D("30.00"))


class TestCreditBalances:
    def test_tells_whose_money_it_is_and_since_when(self, two_families):
        found = reports.list_credit_balances(today=DAY)
        assert [(r.name, r.paid_in, r.credited, r.amount, f"{r.since:%m-%d}", r.days) for r in found] == [
            ("Ahead", D("40.00"), D("5.00"), D("45.00"), "02-01", 37)
        ]

    def test_counts_the_age_of_what_is_left(self, two_families, bookkeeper):
        other = AgreementFactory(household=two_families[1])
        charges.charge_period(agreement=other, period=0, acting_user=bookkeeper, now=NOON)
        charges.charge_fee(
            household=two_families[1], on=DAY, description="Fee", amount=D("3.35"), acting_user=bookkeeper, now=NOON
        )
        row = reports.list_credit_balances(today=DAY)[0]
        assert (row.paid_in, row.since) == (D("10.00"), DAY)


class TestSeries:
    def test_has_no_gaps_in_good_books(self, two_families):
        assert [(s.label, s.last, s.in_use, s.gaps) for s in reports.list_series()] == [
            ("Payments", "P-000002", 2, ()), ("Deposits", "", 0, ()), ("Credit notes", "C-000001", 1, ()),
        ]  # fmt: skip

    @pytest.mark.django_db(transaction=True)
    def test_names_what_is_missing(self, two_families, owner_cursor):
        owner_cursor.execute("UPDATE staff_numberseries SET last_number = 5 WHERE name = 'payment'")
        owner_cursor.execute("UPDATE staff_numberseries SET last_number = 2 WHERE name = 'credit_note'")
        payment, _, note = reports.list_series()
        assert (payment.gaps, payment.in_use) == (("P-000003 to P-000005",), 2)
        assert note.gaps == ("C-000002",)


class TestTakenBack:
    def test_lists_voids_and_returns_with_their_reasons(self, two_families, bookkeeper):
        owing, ahead = two_families
        charges.void_charge(charge=owing.charges.get(), reason="Billed twice", acting_user=bookkeeper, now=NOON)
        payments.return_payment(
            payment=ahead.payments.last(), reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=NOON
        )
        credits.void_credit_note(credit_note=ahead.credit_notes.get(), reason="Wrong", acting_user=bookkeeper, now=NOON)
        found = reports.list_taken_back(begins_on=DAY, through_on=DAY)
        assert {(row.what, str(row.amount), row.reason) for row in found} == {
            ("Charge voided", "26.65", "Billed twice"),
            ("Payment returned", "10.00", "Account closed"),
            ("Credit note voided", "5.00", "Wrong"),
        }
        assert reports.list_taken_back(begins_on=FIRST, through_on=FIRST) == []


FIRST = datetime.date(2026, 1, 1)

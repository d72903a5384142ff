"""The journal for others, with outside referees: Beancount reads it without a complaint and agrees on every balance."""

import datetime
import io
from decimal import Decimal

import pytest
from beancount import loader
from beancount.core import realization
from django.core.management import CommandError, call_command

from billing import charges, deposits, export, payments, reports
from billing.models import Account
from rentals.runtime.exports import csv_lines
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory

D = Decimal


@pytest.fixture
def books(bookkeeper):
    """A few months of three households: charges, payments, a return, a void, a deposit, and memos that need quoting."""
    made = []
    for n in range(3):
        agreement = AgreementFactory()
        for period in range(2):
            charges.charge_period(agreement=agreement, period=period, acting_user=bookkeeper, now=NOON)
        fee = charges.charge_fee(
            household=agreement.household,
            on=DAY,
            description='A "quoted" \\ fee',
            amount=D("3.33"),
            acting_user=bookkeeper,
            now=NOON,
        )
        made.append(
            payments.record_payment(
                household=agreement.household,
                method="cash",
                amount=D("30.01") + n,
                received_on=DAY,
                acting_user=bookkeeper,
                now=NOON,
            )
        )
    charges.void_charge(charge=fee, reason="Never mind", acting_user=bookkeeper, now=NOON)
    deposits.make_deposit(payments=made[:2], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
    payments.return_payment(payment=made[0], reason="Other", returned_on=DAY, acting_user=bookkeeper, now=NOON)


def read(text):
    entries, errors, _ = loader.load_string(text)
    return entries, [error.message for error in errors]


class TestBeancount:
    def test_reads_it_without_a_complaint(self, books):
        entries, errors = read("".join(export.beancount()))
        assert errors == []
        assert sum(type(entry).__name__ == "Transaction" for entry in entries) == 15

    def test_agrees_on_every_balance_to_the_cent(self, books):
        entries, _ = read("".join(export.beancount()))
        root = realization.realize(entries)
        last_day = max(entry.date for entry in entries)
        ours = {}
        for row in reports.list_trial_balance(last_day):
            # What families owe and what they have on account are two lines of one account.
            ours[row.code] = ours.get(row.code, D(0)) + row.balance
        for code, balance in ours.items():
            name = export.account_name(Account.objects.get(code=code))
            theirs = realization.get(root, name).balance.get_currency_units("USD").number or D(0)
            assert theirs == balance, name

    def test_would_complain_of_one_cent(self, books):
        # Beancount's balance directive tolerates 0.01 with two decimals; ours says how exact it means to be.
        lines = "".join(export.beancount()).splitlines()
        at = next(n for n, line in enumerate(lines) if " balance Assets:1010-Bank " in line)
        was = lines[at].split()[3]
        lines[at] = lines[at].replace(was, str(D(was) + D("0.01")))
        assert "~ 0.001" in lines[at]
        _, errors = read("\n".join(lines))
        assert len(errors) == 1
        assert "Balance failed" in errors[0]

    def test_an_empty_journal_is_a_good_file(self, db):
        assert read("".join(export.beancount()))[1] == []


class TestCsv:
    def test_guards_text_and_leaves_numbers_alone(self):
        # OWASP Application Security Verification Standard 5.0, 1.2.10.
        row = ["=1+1", "+1", "-1", "@x", "\t=1", "plain", D("-12.50"), -3]
        assert "".join(csv_lines([row])) == "'=1+1,'+1,'-1,'@x,'\t=1,plain,-12.50,-3\r\n"

    def test_guards_a_family_that_calls_itself_a_formula(self, bookkeeper):
        household = HouseholdFactory(number="=H1")
        charges.charge_fee(household=household, on=DAY, description="Fee", amount=D("1.00"), acting_user=bookkeeper, now=NOON)
        assert ",'=H1," in "".join(export.journal_csv())

    def test_debits_equal_credits(self, books):
        rows = [line.split(",") for line in "".join(export.journal_csv()).splitlines()[1:]]
        assert sum(D(row[-2] or 0) for row in rows) == sum(D(row[-1] or 0) for row in rows) > 0


class TestCommand:
    def test_writes_a_part_of_it(self, books):
        out = io.StringIO()
        call_command("export_journal", "--from", "2026-02-01", "--through", "2026-02-28", stdout=out)
        entries, errors = read(out.getvalue())
        assert errors == []
        days = {entry.date for entry in entries if type(entry).__name__ == "Transaction"}
        assert days == {datetime.date(2026, 2, 28)}

    def test_writes_the_format_that_is_asked_for(self, books):
        out = io.StringIO()
        call_command("export_journal", "--format", "hledger", stdout=out)
        assert out.getvalue() == "".join(export.hledger())

    def test_says_what_is_wrong_with_a_day(self, db):
        with pytest.raises(CommandError, match="2026-01-31"):
            call_command("export_journal", "--from", "January")

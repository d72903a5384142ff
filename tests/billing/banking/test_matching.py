"""Matching lines: what is proposed and why, what it posts, what is refused, and that undoing restores what was before."""

import datetime
from decimal import Decimal

import pytest
from django.db import connection

from billing import charges, chart, months, payments, queries, reports, verify
from billing.banking import matching, operations, proposals
from billing.banking import queries as bank
from billing.banking.matching import Part
from billing.banking.outstanding import list_outstanding
from billing.models import BankLine, BankMatch, JournalEntry, Payment, PaymentReturn, Posting
from tests.billing.banking.statements import DAY, line
from tests.billing.factories import NOON, AgreementFactory, GuardianFactory, HouseholdFactory

D = Decimal
TODAY = datetime.date(2026, 3, 20)


@pytest.fixture
def match(bookkeeper):
    def go(bank_line, *parts, how="hand"):
        return matching.match_line(line=bank_line, parts=parts, how=how, acting_user=bookkeeper, now=NOON)

    return go


@pytest.fixture
def rivera(db):
    """The Rivera family, who owe 26.65 since January 31."""
    agreement = AgreementFactory(household=HouseholdFactory(name="Rivera", number="H-00412"))
    GuardianFactory(household=agreement.household, given_name="Maria", family_name="Rivera", is_primary=False)
    charges.charge_period(agreement=agreement, period=0, acting_user=agreement.signed_by, now=NOON)
    return agreement.household


def best(bank_line):
    return proposals.propose([bank_line], today=TODAY)[bank_line.pk][0]


def balance(account):
    return sum(Posting.objects.filter(account_id=account).values_list("amount", flat=True), D(0))


def clean():
    return [breaches for _check, breaches in verify.run_checks() if breaches] == []


def entry(item):
    return Part("entry", entry_id=item.entry_id)


class TestPropose:
    def test_a_deposit_of_the_same_amount_alone_is_certain(self, deposit, one_line):
        made = deposit("30.00")
        found = best(one_line("30.00"))
        assert (found.title, found.is_certain) == (f"Deposit {made.number}", True)
        assert found.reason == "Same amount, deposited Mar 10, 1 day apart; the only one."

    def test_two_of_one_amount_are_not_certain(self, deposit, one_line):
        deposit("30.00")
        deposit("30.00")
        assert not best(one_line("30.00")).is_certain

    def test_nor_is_one_deposit_for_two_lines(self, deposit, take_in):
        deposit("30.00")
        for each in take_in(line("A1", "30.00"), line("A2", "30.00")):
            assert not best(each).is_certain

    def test_a_deposit_long_before_is_not_proposed(self, deposit, one_line):
        deposit("30.00", on=DAY - datetime.timedelta(days=9))
        assert best(one_line("30.00")).choice == "hold"

    def test_deposits_that_add_up(self, deposit, one_line):
        made = [deposit("10.00"), deposit("20.00"), deposit("7.77")]
        found = best(one_line("37.77"))
        assert found.title == "3 together"
        assert all(each.number in found.reason for each in made)

    def test_a_transfer_whose_family_the_bank_names(self, pay, one_line, rivera):
        payment = pay("26.65", "transfer", rivera)
        found = best(one_line("26.65", name="ONLINE TRANSFER M RIVERA"))
        assert payment.number in found.title
        assert "names Rivera" in found.reason
        assert found.is_certain

    def test_of_two_alike_the_one_whose_number_the_bank_names_is_certain(self, pay, one_line, rivera):
        pay("26.65", "transfer")
        payment = pay("26.65", "transfer", rivera)
        found = best(one_line("26.65", name="TRANSFER", memo="RENT H-00412"))
        assert (payment.number in found.title, found.is_certain) == (True, True)
        pay("26.65", "transfer", rivera)
        assert not best(one_line("26.65", name="TRANSFER", memo="RENT H-00412", reference="A2")).is_certain

    def test_payments_of_different_families_are_not_added_up(self, pay, one_line, rivera):
        pay("10.00", "transfer", rivera)
        pay("16.65", "transfer")
        assert best(one_line("26.65", name="MARIA RIVERA")).choice == f"payment:{rivera.pk}"

    def test_a_transfer_that_the_bank_does_not_name_is_not_certain(self, pay, one_line, rivera):
        pay("26.65", "transfer", rivera)
        assert not best(one_line("26.65", name="ONLINE TRANSFER")).is_certain

    def test_a_new_payment_by_the_family_number(self, one_line, rivera):
        found = best(one_line("26.65", name="TRANSFER", memo="RENT H-00412"))
        assert (found.choice, found.is_certain) == (f"payment:{rivera.pk}", True)
        assert found.reason.startswith("The bank’s text names H-00412; $26.65 is what is due.")
        assert not best(one_line("20.00", name="TRANSFER", memo="RENT H-00412", reference="A2")).is_certain

    def test_a_new_payment_by_the_agreement_number(self, one_line, rivera):
        number = rivera.agreements.get().number
        assert best(one_line("26.65", name=f"RENT {number}")).choice == f"payment:{rivera.pk}"

    def test_a_new_payment_by_name_only_is_not_certain(self, one_line, rivera):
        found = best(one_line("26.65", name="TRANSFER FROM MARIA RIVERA"))
        assert (found.choice, found.is_certain) == (f"payment:{rivera.pk}", False)

    def test_the_namesake_with_that_much_due_comes_first(self, one_line, rivera):
        HouseholdFactory(name="Rivera")
        assert best(one_line("26.65", name="RIVERA")).choice == f"payment:{rivera.pk}"

    def test_remembers_who_paid_under_another_name(self, one_line, rivera, match):
        match(one_line("10.00", name="GRANDPA JOE 1"), Part("payment", D("10.00"), household_id=rivera.pk))
        found = best(one_line("11.00", name="GRANDPA JOE 2", reference="A2"))
        assert found.choice == f"payment:{rivera.pk}"
        assert "The same payer as on Mar 11" in found.reason

    def test_a_bank_fee(self, one_line):
        assert best(one_line("-12.00", name="MISC FEES", kind="SRVCHG")).choice == "fee"
        assert best(one_line("-12.00", name="MONTHLY MAINTENANCE", kind="DEBIT", reference="A2")).choice == "fee"

    def test_a_returned_item(self, deposit, one_line, rivera):
        payment = deposit("75.00", method="cheque", household=rivera).payments.get()
        found = best(one_line("-75.00", name="RETURNED ITEM R01", kind="DEBIT", on=DAY + datetime.timedelta(days=5)))
        assert (found.choice, found.is_return) == (f"return:{payment.pk}", True)
        assert "by check 1041, deposited Mar 10" in found.reason

    def test_a_returned_item_is_a_check_rather_than_a_later_transfer(self, deposit, pay, one_line):
        payment = deposit("75.00", method="cheque").payments.get()
        pay("75.00", "transfer")
        found = best(one_line("-75.00", name="RETURNED ITEM R01", kind="DEBIT", on=DAY + datetime.timedelta(days=5)))
        assert found.choice == f"return:{payment.pk}"

    def test_an_unknown_receipt_waits_to_be_cleared(self, one_line):
        assert best(one_line("99.00", name="SETTLEMENT")).choice == "hold"

    def test_does_not_propose_what_is_matched(self, deposit, one_line, match):
        deposit("30.00")
        match(one_line("30.00"), entry(list_outstanding()[0]))
        assert best(one_line("30.00", reference="A2")).choice == "hold"

    @pytest.mark.parametrize("count", [1, 30])
    def test_asks_the_database_as_often_for_one_line_as_for_many(
        self, count, take_in, deposit, rivera, django_assert_max_num_queries
    ):
        deposit("30.00")
        take_in(*(line(f"A{n}", f"{n + 1}.00", name=f"RIVERA {n} H-00412") for n in range(count)), line("R", "-3.00"))
        lines = list(BankLine.objects.select_related("account"))
        with django_assert_max_num_queries(8):
            proposals.propose(lines, today=TODAY)


class TestMatch:
    def test_with_a_deposit_posts_nothing(self, deposit, one_line, match):
        made = deposit("30.00")
        before = JournalEntry.objects.count()
        (found,) = match(one_line("30.00"), entry(list_outstanding()[0]))
        assert (found.deposit, found.amount, JournalEntry.objects.count()) == (made, D("30.00"), before)
        assert list_outstanding() == []
        assert clean()

    def test_takes_a_payment_from_the_line(self, one_line, match, rivera):
        (found,) = match(one_line("26.65"), Part("payment", D("26.65"), household_id=rivera.pk))
        assert (found.payment.method, found.payment.received_on) == (Payment.Method.TRANSFER, DAY)
        assert (queries.sum_balance(rivera.pk), balance(chart.BANK)) == (D("0.00"), D("26.65"))
        assert clean()

    def test_one_transfer_for_two_families_and_a_rest(self, one_line, match, rivera):
        other = HouseholdFactory()
        parts = [Part("payment", D("26.65"), household_id=rivera.pk), Part("payment", D("3.00"), household_id=other.pk)]
        match(one_line("30.00"), *parts, Part("hold", D("0.35")))
        assert (queries.sum_balance(other.pk), balance(chart.TO_CLEAR)) == (D("-3.00"), D("-0.35"))
        assert clean()

    def test_a_deposit_less_a_fee(self, deposit, one_line, match):
        deposit("30.00")
        match(one_line("29.10"), entry(list_outstanding()[0]), Part("fee", D("-0.90")))
        assert (balance(chart.BANK_FEES), balance(chart.BANK)) == (D("0.90"), D("29.10"))
        assert clean()

    def test_a_fee(self, one_line, match):
        match(one_line("-12.00"), Part("fee", D("-12.00")))
        assert (balance(chart.BANK_FEES), balance(chart.BANK)) == (D("12.00"), D("-12.00"))

    def test_a_return_that_is_in_the_books(self, deposit, one_line, match, bookkeeper):
        payment = deposit("75.00").payments.get()
        payments.return_payment(payment=payment, reason="Insufficient funds", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        found = best(one_line("-75.00", name="RETURNED"))
        assert (found.title.startswith(f"Return of {payment.number}"), found.is_certain) == (True, True)

    def test_takes_a_payment_back_that_the_bank_returned(self, deposit, one_line, bookkeeper, rivera):
        payment = deposit("75.00", household=rivera).payments.get()
        returned = one_line("-75.00", name="RETURNED ITEM", on=DAY + datetime.timedelta(days=4))
        matching.match_returned(line=returned, payment=payment, reason="Account closed", acting_user=bookkeeper, now=NOON)
        assert (queries.sum_balance(rivera.pk), balance(chart.BANK)) == (D("26.65"), D("0.00"))
        assert payment.payment_return.returned_on == returned.posted_on
        assert [item.kind for item in list_outstanding()] == ["deposit"]
        assert clean()

    def test_posts_on_the_first_open_day_when_the_month_is_closed(self, one_line, match, bookkeeper, deposit):
        deposit("30.00")
        closed_line = one_line("-12.00")
        months.close_month(first_day=DAY.replace(day=1), acting_user=bookkeeper, now=NOON, today=datetime.date(2026, 4, 2))
        (found,) = match(closed_line, Part("fee", D("-12.00")))
        assert found.entry.entry_on == datetime.date(2026, 4, 1)

    @pytest.mark.parametrize("amount", ["29.99", "30.01", "-30.00"])
    def test_refuses_what_does_not_add_up(self, one_line, match, amount):
        with pytest.raises(matching.PartsDoNotAddUpError, match=r"the line is \$30.00"):
            match(one_line("30.00"), Part("hold", D(amount)))
        assert not BankMatch.objects.exists()

    def test_says_what_is_missing(self, one_line, match):
        with pytest.raises(matching.PartsDoNotAddUpError, match=r"\$0.01 is missing"):
            match(one_line("30.00"), Part("hold", D("29.99")))

    def test_refuses_nothing(self, one_line, match):
        with pytest.raises(matching.NothingChosenError):
            match(one_line("30.00"))

    def test_refuses_a_line_that_is_matched(self, one_line, match, bookkeeper):
        once = one_line("30.00")
        match(once, Part("hold", D("30.00")))
        with pytest.raises(operations.LineMatchedError, match=bookkeeper.name):
            match(once, Part("hold", D("30.00")))

    def test_refuses_a_deposit_that_is_matched(self, deposit, one_line, match):
        made = deposit("30.00")
        item = list_outstanding()[0]
        match(one_line("30.00"), entry(item))
        with pytest.raises(matching.NotOutstandingError):
            match(one_line("30.00", reference="A2"), entry(item))
        assert BankMatch.objects.get().deposit == made

    def test_refuses_the_same_deposit_twice_in_one_line(self, deposit, one_line, match):
        deposit("15.00")
        item = list_outstanding()[0]
        with pytest.raises(matching.PartsDoNotAddUpError):
            match(one_line("30.00"), entry(item), entry(item))

    def test_refuses_a_line_that_is_left_out(self, one_line, match, bookkeeper):
        out = operations.leave_out(line=one_line("30.00"), acting_user=bookkeeper, now=NOON)
        with pytest.raises(matching.LineLeftOutError):
            match(out, Part("hold", D("30.00")))

    def test_refuses_money_out_as_a_payment(self, one_line, match, rivera):
        with pytest.raises(matching.PaymentNotPositiveError):
            match(one_line("-5.00"), Part("payment", D("-5.00"), household_id=rivera.pk))


def state():
    """All that the office sees of the money: balances by account and household, what waits, what is open."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT account_id, household_id, sum(amount) FROM billing_posting "
            "GROUP BY 1, 2 HAVING sum(amount) <> 0 ORDER BY 1, 2"
        )
        sums = cursor.fetchall()
        cursor.execute("SELECT line_id, sum(amount) FROM billing_allocation WHERE released_at IS NULL GROUP BY 1 ORDER BY 1")
        allocated = cursor.fetchall()
    return sums, allocated, list_outstanding(), list(bank.list_open_lines().order_by("id"))


class TestUndo:
    def undo(self, bank_line, bookkeeper):
        return matching.undo_match(line=bank_line, acting_user=bookkeeper, now=NOON)

    @pytest.mark.parametrize("what", ["entry", "payment", "fee", "hold", "all"])
    def test_restores_what_was_before(self, what, deposit, one_line, match, bookkeeper, rivera):
        deposit("30.00")
        bank_line = one_line("-30.00" if what == "fee" else "40.00" if what == "all" else "30.00")
        before = state()
        parts = {
            "entry": [entry(list_outstanding()[0])],
            "payment": [Part("payment", D("30.00"), household_id=rivera.pk)],
            "fee": [Part("fee", D("-30.00"))],
            "hold": [Part("hold", D("30.00"))],
            "all": [
                entry(list_outstanding()[0]),
                Part("payment", D("11.00"), household_id=rivera.pk),
                Part("fee", D("-2.00")),
                Part("hold", D("1.00")),
            ],
        }
        match(bank_line, *parts[what])
        assert state() != before
        self.undo(bank_line, bookkeeper)
        assert state() == before
        assert clean()

    def test_may_be_matched_anew(self, one_line, match, bookkeeper, rivera):
        bank_line = one_line("30.00")
        for _n in range(3):
            match(bank_line, Part("hold", D("10.00")), Part("payment", D("20.00"), household_id=rivera.pk))
            self.undo(bank_line, bookkeeper)
        match(bank_line, Part("hold", D("30.00")))
        assert (BankMatch.objects.filter(undone_at=None).count(), balance(chart.TO_CLEAR)) == (1, D("-30.00"))
        assert clean()

    def test_names_the_entries_that_took_back_what_was_made(self, one_line, match, bookkeeper):
        bank_line = one_line("-12.00")
        (made,) = match(bank_line, Part("fee", D("-12.00")))
        (undone,) = self.undo(bank_line, bookkeeper)
        assert (undone.undo_entry.reverses, undone.undone_by) == (made.entry, bookkeeper)

    def test_refuses_what_is_undone(self, one_line, match, bookkeeper):
        bank_line = one_line("30.00")
        match(bank_line, Part("hold", D("30.00")))
        self.undo(bank_line, bookkeeper)
        with pytest.raises(matching.NothingToUndoError):
            self.undo(bank_line, bookkeeper)

    def test_leaves_a_payment_alone_that_came_back_meanwhile(self, one_line, match, bookkeeper, rivera):
        bank_line = one_line("30.00")
        (made,) = match(bank_line, Part("payment", D("30.00"), household_id=rivera.pk))
        payments.return_payment(payment=made.payment, reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        self.undo(bank_line, bookkeeper)
        assert sorted(item.kind for item in list_outstanding()) == ["payment", "return"]
        assert clean()

    def test_a_returned_item_puts_the_payment_back_as_it_was(self, deposit, one_line, bookkeeper, rivera):
        payment = deposit("26.65", household=rivera).payments.get()
        bank_line = one_line("-26.65", name="RETURNED ITEM", on=DAY + datetime.timedelta(days=4))
        before = state()
        for reason in ("Account closed", "Insufficient funds"):
            matching.match_returned(line=bank_line, payment=payment, reason=reason, acting_user=bookkeeper, now=NOON)
            assert queries.sum_balance(rivera.pk) == D("26.65")
            self.undo(bank_line, bookkeeper)
            assert state() == before
            assert not PaymentReturn.objects.exclude(payment=None).exists()
            assert clean()
        kept = PaymentReturn.objects.order_by("id")
        assert [(x.reason, x.undone_payment, x.undone_by, x.undone_at) for x in kept] == [
            ("Account closed", payment, bookkeeper, NOON),
            ("Insufficient funds", payment, bookkeeper, NOON),
        ]
        assert [x.undo_entry.reverses for x in kept] == [x.entry for x in kept]
        taken_back = reports.list_taken_back(begins_on=DAY, through_on=DAY + datetime.timedelta(days=30))
        assert [row.what for row in taken_back] == ["Payment returned, undone since"] * 2

    def test_a_return_that_was_in_the_books_before_stands(self, deposit, one_line, match, bookkeeper, rivera):
        payment = deposit("26.65", household=rivera).payments.get()
        payments.return_payment(payment=payment, reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=NOON)
        bank_line = one_line("-26.65", name="RETURNED ITEM", on=DAY + datetime.timedelta(days=4))
        before = state()
        match(bank_line, entry(next(item for item in list_outstanding() if item.kind == "return")))
        self.undo(bank_line, bookkeeper)
        assert state() == before
        assert PaymentReturn.objects.count() == 1

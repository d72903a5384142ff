"""A bank account held against its books at the end of a day: explained on both sides to the cent, kept, and shown as it was."""

import re
from decimal import Decimal

import psycopg
import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from billing import deposits, ledger, verify
from billing.banking import matching, operations, reconciliation
from billing.banking.operations import AccountAnswer
from billing.closing import checks, reconciling
from billing.models import BankAccount, BankLine, BankReconciliation
from tests.billing.banking.statements import line, ofx1
from tests.billing.closing.conftest import FEBRUARY, MARCH, Books, at

D = Decimal
NOW, TODAY = at(4, 20)


def take_in(books, *lines, balance, on, name="march.ofx"):
    """A file of the bank with its closing balance."""
    content = ofx1(*lines, balance=balance, balance_on=on)
    file = operations.read_file(content=content, file_name=name, acting_user=books.clerk, now=NOW)
    answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    operations.take_in(file=file, answers=answers, same_lines=(), acting_user=books.clerk, now=NOW)


def match(books, reference, *parts):
    matching.match_line(
        line=BankLine.objects.get(bank_reference=reference), parts=parts, how="hand", acting_user=books.clerk, now=NOW
    )


@pytest.fixture(scope="class")
def build():
    """Deposited on February 5 at the bank on the 6th; a check of it sent back; on March 31 a deposit, at the bank on April 1."""
    return with_a_bank


def with_a_bank(clerk):
    made = Books(clerk)
    made.happen()
    on_hand = made.pay(made.second.household, "10.00", at(3, 30))
    made.late = deposits.make_deposit(payments=[on_hand], deposited_on=at(3, 31)[1], acting_user=made.clerk, now=at(3, 31)[0])
    take_in(
        made,
        line("A1", "53.30", on=at(2, 6)[1]),
        line("A2", "-26.65", on=at(2, 10)[1], kind="DEBIT", name="RETURNED ITEM"),
        line("A3", "-18.00", on=at(3, 31)[1], kind="SRVCHG", name="SERVICE CHARGE"),
        line("A4", "10.00", on=at(4, 1)[1]),
        balance="18.65",
        on=at(4, 1)[1],
    )
    made.account = BankAccount.objects.get()
    match(made, "A1", matching.Part("entry", entry_id=made.deposit.entry_id))
    match(made, "A2", matching.Part("entry", entry_id=made.check.payment_return.entry_id))
    return made


def held(books, on, balance=None):
    return reconciliation.reconcile(books.account, on=on, balance=None if balance is None else D(balance))


def save(books, on, balance=None):
    balance = None if balance is None else D(balance)
    return reconciling.save(account=books.account, on=on, balance=balance, acting_user=books.clerk, now=NOW)


class TestReconcile:
    def test_works_a_day_out_from_the_balance_the_bank_gave(self, books):
        found = held(books, MARCH.last_day)
        assert (found.told, found.bank, found.books) == ("lines", D("8.65"), D("36.65"))
        assert held(books, at(4, 1)[1]).told == "statement"

    def test_lists_what_is_outstanding_on_both_sides(self, books):
        at_bank, in_books = reconciling.list_sides(held(books, MARCH.last_day))
        assert [(each["what"], each["amount"]) for each in at_bank] == [("SERVICE CHARGE", "-18.00")]
        assert [(each["what"], each["amount"]) for each in in_books] == [(f"Deposit {books.late.number}", "10.00")]

    def test_a_deposit_that_is_matched_meanwhile_is_still_outstanding_on_the_day(self, books):
        match(books, "A4", matching.Part("entry", entry_id=books.late.entry_id))
        found = held(books, MARCH.last_day)
        _, in_books = reconciling.list_sides(found)
        assert [(each["amount"], each["met_on"]) for each in in_books] == [("10.00", "2026-04-01")]
        assert (found.crossing, found.unexplained, found.agrees) == (D("-10.00"), D("0.00"), True)

    def test_what_is_undone_later_is_still_outstanding_on_the_day(self, books):
        now, day = at(4, 2)
        ledger.reverse_entry(entry=books.late.entry, entry_on=day, reason="Lost on its way", acting_user=books.clerk, now=now)
        found = held(books, MARCH.last_day)
        assert [item.amount for item in found.waiting] == [D("10.00")]
        assert (found.unexplained, found.agrees) == (D("0.00"), True)
        assert [item.amount for item in held(books, day, "18.65").waiting] == []

    def test_takes_the_balance_that_is_typed(self, books):
        found = held(books, MARCH.last_day, "8.65")
        assert (found.told, found.agrees) == ("typed", True)

    def test_a_cent_off_does_not_agree(self, books):
        found = held(books, MARCH.last_day, "8.66")
        assert (found.agrees, found.opening + found.sum_gaps + found.unexplained) == (False, D("0.01"))

    def test_says_where_they_part(self, books):
        parting = held(books, MARCH.last_day).parting
        assert (parting.on, parting.what, parting.is_at_bank) == (MARCH.last_day, "SERVICE CHARGE", True)


class TestSave:
    def test_keeps_what_was_shown(self, books):
        saved = save(books, MARCH.last_day)
        assert (saved.bank, saved.books, saved.only_at_bank, saved.only_in_books) == (
            D("8.65"), D("36.65"), D("-18.00"), D("10.00"),
        )  # fmt: skip
        assert [(each["side"], each["amount"]) for each in saved.outstanding] == [("bank", "-18.00"), ("books", "10.00")]

    def test_refuses_with_the_figures_and_where_they_part(self, books):
        with pytest.raises(reconciling.DoesNotAgreeError) as refused:
            save(books, MARCH.last_day, "8.66")
        said = str(refused.value)
        assert "The bank says $8.66, the books $36.65: they differ by −$27.99, of which $0.01 is not explained" in said
        assert "They part on Mar 31, 2026, with SERVICE CHARGE." in said
        assert not BankReconciliation.objects.exists()

    def test_a_day_the_bank_has_not_told_of_is_kept_by_the_statement_alone(self, books):
        """The files reach to April 1: that no line is here of the 15th does not mean that none is at the bank."""
        match(books, "A3", matching.Part("fee", D("-18.00")))
        match(books, "A4", matching.Part("entry", entry_id=books.late.entry_id))
        later = at(4, 15)[1]
        with pytest.raises(reconciling.DoesNotAgreeError, match=r"files reach to Apr 1, 2026\. Take in the rest, or type"):
            save(books, later)
        with pytest.raises(reconciling.DoesNotAgreeError, match="is not explained"):
            save(books, later, "18.64")
        assert save(books, later, "18.65").told == "typed"
        assert save(books, MARCH.last_day).told == "lines"

    def test_the_screen_says_how_far_the_bank_has_told(self, books, client_as):
        match(books, "A3", matching.Part("fee", D("-18.00")))
        match(books, "A4", matching.Part("entry", entry_id=books.late.entry_id))
        clerk = client_as("bookkeeper")
        page = clerk.get(reverse("bank_reconcile") + f"?account={books.account.pk}&on=2026-04-15").content.decode()
        assert "The bank has not told of Apr 15, 2026 yet" in page
        assert "Keep this for" not in page
        typed = clerk.get(reverse("bank_reconcile") + f"?account={books.account.pk}&on=2026-04-15&balance=18.65").content.decode()
        assert "Keep this for Apr 15, 2026" in typed

    def test_stays_as_it_was_when_the_line_is_matched_later(self, books):
        saved = save(books, MARCH.last_day)
        match(books, "A3", matching.Part("fee", D("-18.00")))
        saved.refresh_from_db()
        assert (saved.books, len(saved.outstanding)) == (D("36.65"), 2)
        assert not reconciling.is_still_so(saved)


class TestCheck:
    def found(self, month):
        return checks.CHECKS["reconciled"].find(month, TODAY)

    def test_wants_every_account_on_the_last_day(self, books):
        assert self.found(MARCH).note == f"{books.account}: not yet"
        save(books, MARCH.last_day)
        assert self.found(MARCH).holds
        assert not self.found(FEBRUARY).holds

    def test_sees_that_the_books_have_changed_since(self, books):
        save(books, MARCH.last_day)
        match(books, "A3", matching.Part("fee", D("-18.00")))
        assert self.found(MARCH).note == f"{books.account}: the books have changed since"


@pytest.mark.django_db(transaction=True)
class TestGuards:
    def test_kept_as_it_was(self, owner_cursor, books):
        save(books, MARCH.last_day)
        for statement in ("UPDATE {} SET told = 'typed'", "DELETE FROM {}", "TRUNCATE {}"):
            with pytest.raises(psycopg.errors.RestrictViolation):
                owner_cursor.execute(statement.format("billing_bankreconciliation"))

    @pytest.mark.parametrize(
        ("bank", "ledger", "constraint"),
        [("36.66", "36.65", "reconciliation_agrees"), ("36.66", "36.66", "reconciliation_of_the_ledger")],
    )
    def test_agrees_and_is_of_the_ledger(self, app_cursor, books, bank, ledger, constraint):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(
                'INSERT INTO billing_bankreconciliation (account_id, "on", told, bank, books, only_at_bank, only_in_books, '
                "outstanding, saved_at, saved_by_id) VALUES (%s, '2026-03-31', 'typed', %s, %s, 0, 0, '[]', now(), %s)",
                [books.account.pk, bank, ledger, books.clerk.pk],
            )
        assert refused.value.diag.constraint_name == constraint

    def test_verify_finds_nothing(self, books):
        save(books, MARCH.last_day)
        assert [found for _, found in verify.run_checks() if found] == []


def text(page):
    return re.sub(r"\s+", " ", strip_tags(page.content.decode()))


class TestScreen:
    def test_shows_both_sides_and_keeps_them(self, books, client_as):
        client = client_as("bookkeeper")
        page = client.get(reverse("bank_reconcile") + "?month=2026-03")
        assert "Explained to the cent" in text(page)
        sent = {"account": books.account.pk, "on": "2026-03-31", "balance": ""}
        page = text(client.post(reverse("reconciliation_save"), sent, follow=True))
        assert "agrees with the books at the end of Mar 31, 2026" in page
        assert "SERVICE CHARGE" in page

    def test_says_by_how_much_it_does_not_agree_and_keeps_what_was_typed(self, books, client_as):
        sent = {"account": books.account.pk, "on": "2026-03-31", "balance": "8.66"}
        page = client_as("bookkeeper").post(reverse("reconciliation_save"), sent, follow=True)
        assert "of which $0.01 is not explained" in text(page)
        assert 'value="8.66"' in page.content.decode()

    def test_shows_later_what_was_kept_and_that_the_books_changed(self, books, client_as):
        saved = save(books, MARCH.last_day)
        match(books, "A3", matching.Part("fee", D("-18.00")))
        page = text(client_as("bookkeeper").get(reverse("reconciliation", args=[saved.pk])))
        assert "The books have changed since" in page
        assert "$36.65" in page

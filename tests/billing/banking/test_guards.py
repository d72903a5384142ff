"""What the database refuses of the bank's side, whoever asks: as the application and as the owner of the tables, in raw SQL."""

from decimal import Decimal

import psycopg
import pytest
from django.db import IntegrityError, transaction

from billing import chart, ledger, payments
from billing.models import BankLine, BankMatch, PaymentReturn
from billing.returns import undo_return
from tests.billing.banking.statements import DAY
from tests.billing.factories import NOON
from tests.conftest import raw_connection

D = Decimal
INSERT = """
    INSERT INTO billing_bankmatch (line_id, deposit_id, payment_id, entry_id, amount, how, is_made_for_it, made_at, made_by_id)
    VALUES (%s, %s, %s, %s, %s, 'hand', false, now(), %s)"""


@pytest.fixture(params=["application", "owner"])
def raw(request, transactional_db):
    return request.getfixturevalue("app_cursor" if request.param == "application" else "owner_cursor")


@pytest.fixture
def bank_line(transactional_db, one_line):
    return one_line("30.00")


@pytest.fixture
def made(transactional_db, deposit):
    return deposit("30.00")


def insert(raw, line, who, amount, *, deposit=None, payment=None, entry=None):
    raw.execute(INSERT, [line.pk, deposit, payment, entry, amount, who.pk])


class Refused:
    """Expects a check violation of one name."""

    def __init__(self, constraint):
        self.constraint = constraint

    def __enter__(self):
        return self

    def __exit__(self, kind, error, _trace):
        assert isinstance(error, psycopg.Error), f"{self.constraint}: nothing was refused ({error!r})"
        assert error.diag.constraint_name == self.constraint, error
        return True


class TestMatches:
    def test_a_whole_match_is_taken(self, raw, bank_line, made, bookkeeper):
        insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)
        assert BankMatch.objects.count() == 1

    def test_part_of_a_line_is_refused(self, raw, one_line, made, bookkeeper):
        with Refused("bank_line_to_the_cent"):
            insert(raw, one_line("30.01"), bookkeeper, "30.00", deposit=made.pk)
        assert not BankMatch.objects.exists()

    def test_parts_are_added_up_at_the_end(self, raw, one_line, deposit, bookkeeper):
        first, second, bank_line = deposit("10.00"), deposit("20.00"), one_line("30.00")
        with raw.connection.transaction():
            insert(raw, bank_line, bookkeeper, "10.00", deposit=first.pk)
            insert(raw, bank_line, bookkeeper, "20.00", deposit=second.pk)
        with Refused("bank_line_to_the_cent"):
            raw.execute(
                "UPDATE billing_bankmatch SET undone_at = now(), undone_by_id = made_by_id WHERE deposit_id = %s", [first.pk]
            )
        assert BankMatch.objects.filter(undone_at=None).count() == 2

    def test_another_amount_than_the_deposit_is_refused(self, raw, one_line, made, bookkeeper):
        with Refused("bank_match_is_what_it_names"):
            insert(raw, one_line("29.00"), bookkeeper, "29.00", deposit=made.pk)

    def test_the_other_sign_is_refused(self, raw, one_line, made, bookkeeper):
        with Refused("bank_match_is_what_it_names"):
            insert(raw, one_line("-30.00"), bookkeeper, "-30.00", deposit=made.pk)

    def test_money_on_hand_is_refused(self, raw, bank_line, pay, bookkeeper):
        with Refused("bank_match_is_what_it_names"):
            insert(raw, bank_line, bookkeeper, "30.00", payment=pay("30.00").pk)

    def test_a_deposit_by_its_entry_is_refused(self, raw, bank_line, made, bookkeeper):
        with Refused("bank_match_names_the_deposit"):
            insert(raw, bank_line, bookkeeper, "30.00", entry=made.entry_id)

    def test_one_deposit_for_two_lines_is_refused(self, raw, one_line, made, bookkeeper):
        insert(raw, one_line("30.00"), bookkeeper, "30.00", deposit=made.pk)
        with Refused("deposit_matched_once"):
            insert(raw, one_line("30.00", reference="A2"), bookkeeper, "30.00", deposit=made.pk)

    def test_one_transfer_for_two_lines_is_refused(self, raw, one_line, pay, bookkeeper):
        payment = pay("30.00", "transfer")
        insert(raw, one_line("30.00"), bookkeeper, "30.00", payment=payment.pk)
        with Refused("payment_matched_once"):
            insert(raw, one_line("30.00", reference="A2"), bookkeeper, "30.00", payment=payment.pk)

    def test_two_whole_matches_of_one_line_are_refused(self, raw, bank_line, made, deposit, bookkeeper):
        insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)
        with Refused("bank_line_to_the_cent"):
            insert(raw, bank_line, bookkeeper, "30.00", deposit=deposit("30.00").pk)

    def test_an_undone_entry_is_refused(self, raw, one_line, bookkeeper):
        entry = post(bookkeeper, "-5.00")
        ledger.reverse_entry(entry=entry, entry_on=DAY, reason="test", acting_user=bookkeeper, now=NOON)
        with Refused("bank_match_of_what_stands"):
            insert(raw, one_line("-5.00"), bookkeeper, "-5.00", entry=entry.pk)

    def test_an_entry_that_is_matched_cannot_be_undone(self, raw, one_line, bookkeeper):
        entry = post(bookkeeper, "-5.00")
        insert(raw, one_line("-5.00"), bookkeeper, "-5.00", entry=entry.pk)
        with Refused("reversed_entry_is_not_matched"), raw.connection.transaction():
            reverse(raw, entry, bookkeeper)

    def test_an_entry_is_not_undone_while_somebody_matches_it(self, raw, one_line, bookkeeper):
        entry, bank_line = post(bookkeeper, "-5.00"), one_line("-5.00")
        with raw_connection(as_owner=True) as other, other.cursor() as cursor:
            other.autocommit = False
            insert(cursor, bank_line, bookkeeper, "-5.00", entry=entry.pk)
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            raw.execute("SET lock_timeout = '200ms'")
            with pytest.raises(psycopg.errors.LockNotAvailable), raw.connection.transaction():
                reverse(raw, entry, bookkeeper)
            other.commit()
        with Refused("reversed_entry_is_not_matched"), raw.connection.transaction():
            reverse(raw, entry, bookkeeper)

    def test_an_entry_is_not_matched_while_somebody_undoes_it(self, raw, one_line, bookkeeper):
        entry, bank_line = post(bookkeeper, "-5.00"), one_line("-5.00")
        with raw_connection(as_owner=True) as other, other.cursor() as cursor:
            other.autocommit = False
            reverse(cursor, entry, bookkeeper)
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            raw.execute("SET lock_timeout = '200ms'")
            with pytest.raises(psycopg.errors.LockNotAvailable):
                insert(raw, bank_line, bookkeeper, "-5.00", entry=entry.pk)
            other.commit()
        with Refused("bank_match_of_what_stands"):
            insert(raw, bank_line, bookkeeper, "-5.00", entry=entry.pk)

    def test_a_line_that_is_left_out_is_refused(self, raw, bank_line, made, bookkeeper):
        raw.execute("UPDATE billing_bankline SET left_out_at = now() WHERE id = %s", [bank_line.pk])
        with Refused("bank_match_of_a_line_that_counts"):
            insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)

    def test_leaving_a_matched_line_out_is_refused(self, raw, bank_line, made, bookkeeper):
        insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)
        with Refused("bank_line_left_out_is_open"):
            raw.execute("UPDATE billing_bankline SET left_out_at = now() WHERE id = %s", [bank_line.pk])

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE billing_bankmatch SET amount = 5",
            "UPDATE billing_bankmatch SET made_at = now()",
            "UPDATE billing_bankline SET amount = 5",
            "UPDATE billing_bankline SET posted_on = posted_on + 1",
            "UPDATE billing_bankstatement SET closing_balance = 5, balance_on = now()",
            "DELETE FROM billing_bankmatch",
            "DELETE FROM billing_bankline",
            "DELETE FROM billing_bankstatement",
        ],
    )
    def test_what_was_written_stays(self, raw, bank_line, made, bookkeeper, statement):
        insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)
        with pytest.raises(psycopg.errors.RestrictViolation):
            raw.execute(statement)

    def test_an_undone_match_stays_undone(self, raw, bank_line, made, bookkeeper):
        insert(raw, bank_line, bookkeeper, "30.00", deposit=made.pk)
        raw.execute("UPDATE billing_bankmatch SET undone_at = now(), undone_by_id = made_by_id")
        with pytest.raises(psycopg.errors.RestrictViolation):
            raw.execute("UPDATE billing_bankmatch SET undone_at = NULL, undone_by_id = NULL")

    def test_two_connections_that_match_one_line_at_once(self, raw, bank_line, deposit, bookkeeper):
        """The second waits for the first, then finds the line full."""
        first, second = deposit("30.00"), deposit("30.00")
        with raw_connection(as_owner=True) as other, other.cursor() as cursor:
            other.autocommit = False
            insert(cursor, bank_line, bookkeeper, "30.00", deposit=first.pk)
            raw.execute("SET lock_timeout = '200ms'")
            with pytest.raises(psycopg.errors.LockNotAvailable):
                insert(raw, bank_line, bookkeeper, "30.00", deposit=second.pk)
            other.commit()
        with Refused("bank_line_to_the_cent"):
            insert(raw, bank_line, bookkeeper, "30.00", deposit=second.pk)


class TestLines:
    def test_the_bank_id_once_per_account(self, raw, bank_line):
        with Refused("bank_line_once"):
            raw.execute(
                "INSERT INTO billing_bankline (statement_id, account_id, bank_reference, kind, posted_on, amount, name, memo, "
                "cheque_number, payer) SELECT statement_id, account_id, bank_reference, '', posted_on, 5, '', '', '', '' "
                "FROM billing_bankline WHERE id = %s",
                [bank_line.pk],
            )
        assert BankLine.objects.count() == 1


def reverse(raw, entry, who):
    """Undo an entry of five dollars that went out."""
    raw.execute(
        "INSERT INTO billing_journalentry (entry_on, kind, memo, source, currency, reverses_id, made_at, made_by_id) "
        "VALUES (%s, 'reversal', 'x', 'x', 'USD', %s, now(), %s) RETURNING id",
        [DAY, entry.pk, who.pk],
    )
    made = raw.fetchone()[0]
    raw.execute(
        "INSERT INTO billing_posting (entry_id, account_id, amount) VALUES (%s, '1010', 5), (%s, '6100', -5)", [made, made]
    )


class TestReturns:
    @pytest.fixture
    def returned(self, made, bookkeeper):
        return payments.return_payment(
            payment=made.payments.get(), reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=NOON
        )

    UNDO = (
        "UPDATE billing_paymentreturn SET payment_id = NULL, undone_payment_id = payment_id, undone_at = now(), "
        "undone_by_id = made_by_id, undo_entry_id = {entry} {more}"
    )

    def test_none_is_deleted(self, raw, returned):
        with pytest.raises(psycopg.errors.RestrictViolation):
            raw.execute("DELETE FROM billing_paymentreturn")

    def test_one_that_stands_in_the_books_is_not_undone(self, raw, returned):
        with Refused("return_undone_by_its_entry"):
            raw.execute(self.UNDO.format(entry="entry_id", more=""))

    @pytest.mark.parametrize(
        "change",
        ["reason = 'other'", "returned_on = returned_on + 1", "undone_at = now()", "kind = 'mistake'", "payment_id = NULL"],
    )
    def test_nothing_else_of_it_changes(self, raw, returned, change):
        with Refused("return_only_undone"):
            raw.execute(f"UPDATE billing_paymentreturn SET {change}")

    def test_one_that_is_undone_stays_undone(self, raw, returned, bookkeeper):
        undo_return(payment=returned.payment, reason="mistake", acting_user=bookkeeper, now=NOON)
        with Refused("return_only_undone"):
            raw.execute(
                "UPDATE billing_paymentreturn SET payment_id = undone_payment_id, undone_payment_id = NULL, undone_at = NULL, "
                "undone_by_id = NULL, undo_entry_id = NULL"
            )

    def test_none_is_written_down_undone(self, raw, returned, bookkeeper):
        undo_return(payment=returned.payment, reason="mistake", acting_user=bookkeeper, now=NOON)
        columns = ", ".join(each.column for each in PaymentReturn._meta.concrete_fields if each.column != "id")
        with Refused("return_begins_standing"):
            raw.execute(f"INSERT INTO billing_paymentreturn ({columns}) SELECT {columns} FROM billing_paymentreturn")

    def test_is_either_standing_or_undone(self, raw, returned, bookkeeper):
        with Refused("payment_return_stands_or_is_undone"):
            raw.execute(
                "INSERT INTO billing_paymentreturn (kind, payment_id, undone_payment_id, returned_on, reason, entry_id, made_at, "
                "made_by_id) SELECT kind, payment_id, payment_id, returned_on, reason, entry_id, made_at, made_by_id "
                "FROM billing_paymentreturn"
            )

    def test_one_that_an_answer_goes_by_stays(self, raw, owner_cursor, returned, bookkeeper):
        """The answer to a debit, set beside it with the guards off: a whole run of autopay would not say more."""
        owner_cursor.execute("SET session_replication_role TO replica")
        owner_cursor.execute(
            "INSERT INTO billing_autopayreturn (file_id, entry_id, reason, returned_on, payment_return_id) "
            "SELECT -1, -1, 'R01', returned_on, id FROM billing_paymentreturn"
        )
        owner_cursor.execute("SET session_replication_role TO origin")
        with pytest.raises(IntegrityError, match="goes by the return"), transaction.atomic():
            entry = ledger.reverse_entry(entry=returned.entry, entry_on=DAY, reason="x", acting_user=bookkeeper, now=NOON)
            PaymentReturn.objects.update(
                payment=None, undone_payment=returned.payment_id, undone_at=NOON, undone_by=bookkeeper, undo_entry=entry
            )
        owner_cursor.execute("SET session_replication_role TO replica")
        owner_cursor.execute("DELETE FROM billing_autopayreturn")
        owner_cursor.execute("SET session_replication_role TO origin")

    def test_its_entry_is_not_undone_without_it(self, returned, bookkeeper):
        with pytest.raises(IntegrityError, match="still counts as returned"), transaction.atomic():
            ledger.reverse_entry(entry=returned.entry, entry_on=DAY, reason="mistake", acting_user=bookkeeper, now=NOON)


def post(bookkeeper, amount):
    return ledger.post_entry(
        entry_on=DAY,
        kind="bank",
        memo="Fee",
        source="test/1",
        postings=[ledger.Line(chart.BANK, D(amount)), ledger.Line(chart.BANK_FEES, -D(amount))],
        acting_user=bookkeeper,
        now=NOON,
    )

"""Taking files in: every line once, whatever file brings it, and account numbers nowhere."""

import datetime
import json
from decimal import Decimal

import pytest
from django.db import connection

from billing.banking import files, operations, queries
from billing.banking.operations import AccountAnswer
from billing.banking.readers import BankFileError
from billing.models import BankAccount, BankFile, BankLine, BankStatement
from tests.billing.banking.statements import DAY, document, line, ofx1, statement
from tests.billing.factories import NOON

D = Decimal


def amounts():
    return sorted(BankLine.objects.filter(left_out_at=None).values_list("amount", flat=True))


class TestTakeIn:
    def test_brings_the_lines_with_what_the_bank_said(self, take_in):
        (one,) = take_in(line("A1", "30.00", name="TRANSFER FROM MARIA RIVERA 99", memo="MARCH", cheque="77"), balance="30.00")
        assert (one.bank_reference, one.amount, one.posted_on) == ("A1", D("30.00"), DAY)
        assert (one.name, one.memo, one.cheque_number, one.payer) == (
            "TRANSFER FROM MARIA RIVERA 99",
            "MARCH",
            "77",
            "MARIA RIVERA",
        )
        assert (one.statement.closing_balance, one.statement.balance_on, one.statement.new_line_count) == (D("30.00"), DAY, 1)

    def test_the_same_file_again_adds_nothing(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"), line("A2", "40.00"))
        take_in(line("A1", "30.00"), line("A2", "40.00"))
        assert (BankFile.objects.count(), BankStatement.objects.count(), amounts()) == (1, 1, [D("30.00"), D("40.00")])

    def test_an_overlapping_file_adds_what_is_new(self, take_in):
        take_in(line("A1", "30.00"), line("A2", "40.00"))
        take_in(line("A2", "40.00"), line("A3", "50.00"), name="april.ofx")
        assert amounts() == [D("30.00"), D("40.00"), D("50.00")]
        assert BankStatement.objects.last().new_line_count == 1

    def test_a_file_that_names_no_day_is_of_the_office_s_day_not_of_utc(self, bookkeeper):
        late = datetime.datetime(2026, 3, 11, 3, 30, tzinfo=datetime.UTC)  # half past nine in the evening of March 10 in Chicago
        content = ofx1().replace(b"<DTSTART>20260301<DTEND>20260331", b"")
        file = operations.read_file(content=content, file_name="empty.ofx", acting_user=bookkeeper, now=late)
        answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
        (one,) = operations.take_in(file=file, answers=answers, same_lines=[], acting_user=bookkeeper, now=late)
        assert (one.begins_on, one.ends_on) == (datetime.date(2026, 3, 10), datetime.date(2026, 3, 10))

    def test_two_true_lines_of_one_day_and_sum_both_stay(self, take_in):
        take_in(line("A1", "30.00"), line("A2", "30.00"))
        assert amounts() == [D("30.00"), D("30.00")]

    def test_one_id_in_two_accounts_is_two_lines(self, take_in):
        take_in(line("A1", "30.00"))
        take_in(line("A1", "31.00"), account="2000000002", name="other.ofx")
        assert amounts() == [D("30.00"), D("31.00")]

    def test_asks_for_the_name_of_an_unknown_account(self, bookkeeper):
        file = operations.read_file(content=ofx1(line("A", "1.00")), file_name="a.ofx", acting_user=bookkeeper, now=NOON)
        with pytest.raises(operations.AccountNotNamedError, match="ends in 0001"):
            operations.take_in(file=file, answers={}, same_lines=[], acting_user=bookkeeper, now=NOON)
        assert not BankStatement.objects.exists()

    def test_leaves_an_account_out_that_is_not_of_these_books(self, bookkeeper):
        content = document(statement(line("A", "1.00")), statement(line("B", "2.00"), account="5555")).encode()
        file = operations.read_file(content=content, file_name="a.ofx", acting_user=bookkeeper, now=NOON)
        ours, other = (each["fingerprints"][0] for each in file.contents["accounts"])
        answers = {ours: AccountAnswer(name="Checking"), other: AccountAnswer(left_out=True)}
        operations.take_in(file=file, answers=answers, same_lines=[], acting_user=bookkeeper, now=NOON)
        assert amounts() == [D("1.00")]

    def test_a_file_of_which_nothing_is_wanted(self, bookkeeper):
        file = operations.read_file(content=ofx1(line("A", "1.00")), file_name="a.ofx", acting_user=bookkeeper, now=NOON)
        answers = {file.contents["accounts"][0]["fingerprints"][0]: AccountAnswer(left_out=True)}
        with pytest.raises(operations.NothingToTakeInError):
            operations.take_in(file=file, answers=answers, same_lines=[], acting_user=bookkeeper, now=NOON)

    def test_keeps_no_account_number_anywhere(self, take_in, bookkeeper):
        take_in(line("A1", "30.00", memo="TO 1000000001"))
        account = BankAccount.objects.get()
        assert (account.last_four, len(account.fingerprint)) == ("0001", 64)
        with connection.cursor() as cursor:
            cursor.execute("SELECT table_name FROM information_schema.tables WHERE table_name LIKE 'billing_bank%'")
            for (table,) in cursor.fetchall():
                cursor.execute(f"SELECT t::text FROM {table} t")
                assert not [row for (row,) in cursor.fetchall() if "1000000001" in row], table

    def test_knows_an_account_again_after_the_key_was_changed(self, take_in, settings):
        take_in(line("A1", "30.00"))
        settings.SECRET_KEY_FALLBACKS, settings.SECRET_KEY = [settings.SECRET_KEY], "another key, long enough to be one" * 2
        take_in(line("A1", "30.00"), line("A2", "5.00"), name="next.ofx")
        assert (BankAccount.objects.count(), amounts()) == (1, [D("5.00"), D("30.00")])
        assert BankAccount.objects.get().fingerprint == files.fingerprints("056005075", "1000000001")[0]

    def test_an_account_named_before_can_be_chosen_when_the_key_is_lost(self, take_in, settings, bookkeeper):
        take_in(line("A1", "30.00"))
        settings.SECRET_KEY = "another key, long enough to be one" * 2
        file = operations.read_file(content=ofx1(line("A2", "5.00")), file_name="b.ofx", acting_user=bookkeeper, now=NOON)
        (each,) = queries.preview(file)
        answers = {each.key: AccountAnswer(known_id=each.perhaps[0].pk)}
        operations.take_in(file=file, answers=answers, same_lines=[], acting_user=bookkeeper, now=NOON)
        assert (BankAccount.objects.count(), len(amounts())) == (1, 2)

    def test_a_bad_file_leaves_nothing(self, bookkeeper):
        with pytest.raises(BankFileError):
            operations.read_file(content=ofx1(line("A", "x")), file_name="a.ofx", acting_user=bookkeeper, now=NOON)
        assert not BankFile.objects.exists()


class TestPreview:
    def look(self, bookkeeper, *lines, **options):
        file = operations.read_file(content=ofx1(*lines, **options), file_name="b.ofx", acting_user=bookkeeper, now=NOON)
        (each,) = queries.preview(file)
        return each

    def test_tells_new_from_known(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"))
        each = self.look(bookkeeper, line("A1", "30.00"), line("A2", "31.00"))
        assert (each.here, [x.reference for x in each.fresh], each.doubtful) == (1, ["A2"], [])

    def test_asks_about_a_line_told_under_a_new_id(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"))
        each = self.look(bookkeeper, line("B1", "30.00"), line("B2", "30.00"))
        assert ([x.reference for x in each.doubtful], [x.reference for x in each.fresh]) == (["B1"], ["B2"])

    def test_one_id_for_two_lines_is_a_question_that_is_asked_once(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"))
        for name, lines in (("b.ofx", [line("A1", "35.00")]), ("c.ofx", [line("A1", "35.00"), line("A2", "5.00")])):
            file = operations.read_file(content=ofx1(*lines), file_name=name, acting_user=bookkeeper, now=NOON)
            (each,) = queries.preview(file)
            assert [x.amount for x in each.changed] == ([D("35.00")] if name == "b.ofx" else [])
            options = {"answers": {}, "same_lines": [], "acting_user": bookkeeper, "now": NOON}
            operations.take_in(file=file, other_lines=[x.reference for x in each.changed], **options)
        assert amounts() == [D("5.00"), D("30.00"), D("35.00")]

    def test_says_when_the_bank_changed_a_line(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"))
        each = self.look(bookkeeper, line("A1", "35.00"))
        assert ([x.amount for x in each.changed], each.fresh) == ([D("35.00")], [])

    def test_adds_up_the_whole_file_before_anything_is_skipped(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"), balance="130.00")
        later = DAY + datetime.timedelta(days=5)
        lines = [line("A1", "30.00"), line("A2", "20.00", later)]
        assert self.look(bookkeeper, *lines, balance="150.00", balance_on=later).gap == D("0.00")
        assert self.look(bookkeeper, *lines, balance="157.25", balance_on=later).gap == D("7.25")

    def test_what_is_answered_same_is_kept_left_out_and_not_asked_again(self, take_in, bookkeeper):
        take_in(line("A1", "30.00"))
        take_in(line("B1", "30.00"), name="b.ofx", same=["B1"])
        assert amounts() == [D("30.00")]
        each = self.look(bookkeeper, line("B1", "30.00"), line("C1", "2.00"))
        assert (each.doubtful, each.here) == ([], 1)
        left_out = BankLine.objects.get(bank_reference="B1")
        operations.take_up(line=left_out, acting_user=bookkeeper, now=NOON)
        assert amounts() == [D("30.00"), D("30.00")]

    def test_writes_the_reading_as_json_and_reads_it_back(self, bookkeeper):
        content = ofx1(line("A1", "30.00", name="CAF\xc9"), balance="12.00")
        file = operations.read_file(content=content, file_name="a.ofx", acting_user=bookkeeper, now=NOON)
        file.refresh_from_db()
        (account,) = files.accounts_of(json.loads(json.dumps(file.contents)))
        assert (account.lines[0].name, account.lines[0].amount, account.balance) == ("CAFÉ", D("30.00"), D("12.00"))

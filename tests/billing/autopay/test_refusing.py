"""The bank refused a whole file: nothing of it stays, nobody is told wrongly, and its charges go out with another run."""

import datetime
from decimal import Decimal

import psycopg
import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from billing import accounts, allocation, chart, ledger, months, payments, reports, verify
from billing.autopay import authorising, noticing, queries, refusing, retries, running, selecting
from billing.banking import matching
from billing.banking.outstanding import list_outstanding
from billing.closing import clearing
from billing.models import (
    AutopayEntry,
    AutopayNotice,
    AutopayRun,
    BankLine,
    JournalEntry,
    OpenItem,
    Payment,
    PaymentReturn,
    Posting,
)
from rentals.documents.models import OutboxMessage
from rentals.runtime import clock
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import DEBIT_ON, NOW, TODAY, authorised, told
from tests.billing.autopay.test_answering import take, trace_of
from tests.billing.autopay.test_running import _match, let_out, prepare, text_of
from tests.billing.autopay.test_screens import page, send, text
from tests.factories import BookkeeperFactory

D = Decimal
LATER = datetime.date(2026, 3, 13)
AT = NOW + datetime.timedelta(days=3)


def refuse(run, clerk=None, why="Company number unknown", today=LATER, now=AT):
    return refusing.refuse_run(run=run, why=why, acting_user=clerk or BookkeeperFactory(), now=now, today=today)


def on_account(code):
    return sum(Posting.objects.filter(account_id=code).values_list("amount", flat=True), D(0))


def broken():
    return [(check.title, found) for check, found in verify.run_checks() if found]


@pytest.fixture
def run(authorisation):
    """One family's 26.65, let out."""
    told(authorisation)
    return let_out(prepare())


class TestTheBooks:
    def test_nothing_waits_for_the_bank_and_nothing_is_on_the_way(self, run, authorisation):
        refuse(run)
        assert list_outstanding() == []
        assert (on_account(chart.BANK), on_account(chart.DEBITS_ON_THE_WAY)) == (D(0), D(0))
        assert OpenItem.objects.get(household=authorisation.household).open == D("26.65")
        assert PaymentReturn.objects.get().kind == PaymentReturn.Kind.FILE
        run.refresh_from_db()
        assert (run.state, run.end_note) == ("refused", "Company number unknown")
        assert run.deposit.entry_id == JournalEntry.objects.get(reverses__isnull=False).reverses_id
        assert broken() == []

    def test_each_day_is_explained(self, run):
        """March 12: the money counts as at the bank; from the day it is refused, nothing is left to explain."""
        refuse(run)
        for day in (DEBIT_ON, LATER):
            explained = clearing.explain(chart.DEBITS_ON_THE_WAY, day)
            assert (explained.balance, explained.unexplained) == (D(0), D(0))

    def test_never_before_its_own_day(self, run):
        refuse(run, today=TODAY, now=NOW)
        assert PaymentReturn.objects.get().returned_on == DEBIT_ON

    def test_in_the_first_open_month(self, run, bookkeeper):
        """March is closed with the file in it: April takes it back, and both months stand."""
        for month in (1, 2, 3):
            months.close_month(
                first_day=datetime.date(2026, month, 1), acting_user=bookkeeper, now=AT, today=datetime.date(2026, 4, 2)
            )
        refuse(run, today=LATER)
        assert PaymentReturn.objects.get().entry.entry_on == ledger.open_from() == datetime.date(2026, 4, 1)
        assert (list_outstanding(), broken()) == ([], [])

    def test_a_payment_returned_by_hand_is_put_right_first(self, run, bookkeeper):
        payments.return_payment(
            payment=Payment.objects.get(), reason="Insufficient funds", returned_on=DEBIT_ON, acting_user=bookkeeper, now=NOW
        )
        refuse(run)
        assert PaymentReturn.objects.get(undone_at=None).kind == PaymentReturn.Kind.FILE
        assert PaymentReturn.objects.get(payment=None).undone_payment == Payment.objects.get()
        assert (list_outstanding(), on_account(chart.BANK), on_account(chart.DEBITS_ON_THE_WAY)) == ([], D(0), D(0))
        assert broken() == []

    def test_after_it_was_said_to_be_taken(self, run, bookkeeper):
        """The bank's word of the next morning counts, as long as no line of its shows the money."""
        running.settle_run(run=run, acting_user=bookkeeper, now=NOW)
        assert refuse(run).state == "refused"


class TestRefusals:
    def test_a_file_that_a_bank_line_shows(self, run, bookkeeper):
        _match(run.deposit, bookkeeper)
        running.settle_matched_runs(acting_user=bookkeeper, now=NOW)
        with pytest.raises(refusing.FileReachedBankError, match="undo it on the bank line first"):
            refuse(run)
        assert PaymentReturn.objects.count() == 0
        matching.undo_match(line=BankLine.objects.get(), acting_user=bookkeeper, now=AT)
        assert refuse(run).state == "refused"

    def test_nothing_meets_it_afterwards(self, run, bookkeeper):
        refuse(run)
        with pytest.raises(matching.NotOutstandingError):
            _match(run.deposit, bookkeeper)

    def test_a_file_whose_debits_were_answered(self, run):
        take(returns(run, (trace_of(run), "R01")))
        with pytest.raises(refusing.FileAnsweredError, match="was not refused whole"):
            refuse(run)

    def test_without_the_banks_words(self, run):
        with pytest.raises(refusing.ReasonMissingError):
            refuse(run, why="  ")

    def test_twice_or_before_it_left(self, authorisation):
        told(authorisation)
        run = prepare()
        with pytest.raises(running.RunMovedOnError, match="cannot be refused"):
            refuse(run)
        refuse(let_out(run))
        with pytest.raises(running.RunMovedOnError, match="refused by the bank"):
            refuse(run)


class TestAgain:
    def test_at_once_under_what_was_told(self, run, authorisation):
        """Refused on March 13, in another run the same day for the next banking day, in the amount that was told."""
        refuse(run)
        notice = AutopayNotice.objects.get()
        assert notice.closed_at is None
        again = let_out(prepare(wanted_on=LATER, today=LATER, now=AT), today=LATER, now=AT)
        assert (again.total, again.effective_on) == (D("26.65"), datetime.date(2026, 3, 16))
        assert text_of(again) != text_of(run)
        assert [each.attempt for entry in AutopayEntry.objects.order_by("pk") for each in entry.covers.all()] == [0, 1]
        assert not OpenItem.objects.filter(household=authorisation.household).exists()
        assert broken() == []

    def test_told_anew_where_the_day_is_over_by_a_week(self, run, bookkeeper):
        late = DEBIT_ON + datetime.timedelta(days=8)
        refuse(run, today=late)
        assert AutopayNotice.objects.get().closed_at is not None
        assert noticing.give_notices(today=late, now=AT, acting_user=bookkeeper) == 1
        newest = AutopayNotice.objects.latest("pk")
        assert (newest.debit_on - newest.given_on).days >= 10

    def test_not_where_something_was_told_since(self, run, authorisation, bookkeeper):
        """The month that begins on February 28 was told meanwhile; the refused one is told after that."""
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 1
        refuse(run)
        assert AutopayNotice.objects.filter(closed_at=None).count() == 1

    def test_not_where_autopay_ended(self, run, authorisation, bookkeeper):
        authorising.end(authorisation=authorisation, how="revoked", why="Moved banks", acting_user=bookkeeper, now=NOW)
        refuse(run)
        assert AutopayNotice.objects.get().closed_at is not None

    def test_a_presentation_again_is_presented_again(self, run, bookkeeper):
        """Nobody presented it, so it is still the first of at most two."""
        take(returns(run, (trace_of(run), "R01")))
        second = let_out(prepare(wanted_on=LATER, today=LATER, now=AT), today=LATER, now=AT)
        assert second.entries.get().retry == 1
        refuse(second, today=datetime.date(2026, 3, 17))
        assert [entry.pk for entry in retries.list_waiting()] == [run.entries.get().pk]
        third = prepare(wanted_on=datetime.date(2026, 3, 18), today=datetime.date(2026, 3, 17), now=AT)
        assert third.entries.get().retry == 1
        assert broken() == []

    def test_counts_in_no_rate(self, run):
        before = [rate.debits for rate in queries.list_rates(today=LATER)]
        refuse(run)
        assert (before, [rate.debits for rate in queries.list_rates(today=LATER)]) == ([1, 1, 1], [0, 0, 0])

    def test_is_selected_as_before(self, run):
        refuse(run)
        (candidate,) = selecting.list_candidates(effective_on=datetime.date(2026, 3, 16), today=LATER)
        assert (candidate.amount, candidate.why_not) == (D("26.65"), "")


class TestWhatFamiliesRead:
    def test_nobody_is_written_to(self, run):
        before = OutboxMessage.objects.count()
        refuse(run)
        assert OutboxMessage.objects.count() == before

    def test_the_account_does_not_blame_the_family(self, run, authorisation):
        refuse(run)
        rows = accounts.list_account_rows(authorisation.household_id)
        (row,) = [row for row in rows if row.kind == "return"]
        assert row.what == f"Payment {Payment.objects.get().number} was not debited: the bank did not take our file"
        assert "returned" not in row.what

    def test_the_list_of_what_was_taken_back(self, run):
        refuse(run)
        (row,) = [row for row in reports.list_taken_back(begins_on=TODAY, through_on=LATER) if row.number.startswith("P-")]
        assert row.what == "Debit not made, file refused"


class TestScreens:
    @pytest.fixture(autouse=True)
    def march(self, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: LATER)
        monkeypatch.setattr(clock, "now", lambda: AT)

    @pytest.fixture
    def client(self, client_as):
        return client_as("bookkeeper")

    def test_says_what_will_be_and_does_it(self, client, run, authorisation):
        assert "The bank refused this file" in page(client, "autopay_run", run.pk)
        said = page(client, "autopay_refused", run.pk)
        assert "$26.65 together, is taken back" in said
        empty = client.post(reverse("autopay_refused", args=[run.pk]), {"why": " "})
        assert (empty.status_code, "Write what the bank said" in text(empty)) == (422, True)
        said = text(send(client, "autopay_refused", run.pk, why="Company number unknown"))
        assert "counts as refused" in said
        assert "Nobody was debited" in said
        assert "Download the file" not in said
        assert "Not debited: file refused" in page(client, "autopay_household", authorisation.household_id)
        payment = Payment.objects.get()
        assert "Never debited: the bank refused our file" in page(client, "payment", payment.pk)
        assert "Never debited" in page(client, "household", authorisation.household_id)
        assert "$26.65" in page(client, "autopay")

    def test_a_matched_file_is_told_the_right_path(self, client, run, bookkeeper):
        _match(run.deposit, bookkeeper)
        running.settle_matched_runs(acting_user=bookkeeper, now=NOW)
        assert "The bank refused this file" not in page(client, "autopay_run", run.pk)
        assert "undo it on the bank line first" in page(client, "autopay_refused", run.pk)
        answer = client.post(reverse("autopay_refused", args=[run.pk]), {"why": "They said so"})
        assert (answer.status_code, "undo it on the bank line first" in text(answer)) == (422, True)
        assert AutopayRun.objects.get().state == "settled"

    def test_is_the_bookkeepers(self, client_as, run):
        assert client_as("specialist").post(reverse("autopay_refused", args=[run.pk]), {"why": "x"}).status_code == 403


@pytest.mark.django_db(transaction=True)
class TestTheDatabase:
    """Raw writes under the application's rights; nothing of a run is refused in part."""

    @pytest.fixture
    def sent(self, request):
        request.getfixturevalue("setup")
        told(authorised())
        return let_out(prepare())

    @pytest.mark.parametrize(
        ("statement", "name"),
        [
            (
                "UPDATE billing_autopayrun SET state = 'refused', ended_at = now(), ended_by_id = sent_by_id",
                "autopay_run_refused_whole",
            ),
            ("UPDATE billing_autopayentry SET state = 'refused'", "autopay_entry_refused_with_its_file"),
            (
                "INSERT INTO billing_paymentreturn (kind, payment_id, returned_on, reason, entry_id, made_at, made_by_id) "
                "SELECT 'file', id, received_on, 'x', {back}, now(), taken_by_id FROM billing_payment",
                "never_debited_of_a_refused_file",
            ),
        ],
    )
    def test_refuses_a_part(self, sent, app_cursor, statement, name):
        allocation.release_of_payment(payment_id=Payment.objects.get().pk, now=NOW)
        back = ledger.post_entry(
            entry_on=DEBIT_ON,
            kind="returned_payment",
            memo="x",
            source=f"payment-return/{Payment.objects.get().pk}",
            postings=[ledger.Line("1200", D("26.65"), Payment.objects.get().household_id), ledger.Line("1030", D("-26.65"))],
            acting_user=BookkeeperFactory(),
            now=NOW,
        )
        with pytest.raises(psycopg.Error) as refused:
            app_cursor.execute(statement.format(back=back.pk))
        assert name in (refused.value.diag.constraint_name or "") + str(refused.value)

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE billing_autopayrun SET state = 'settled'",
            "UPDATE billing_autopayrun SET state = 'sent', ended_at = NULL, ended_by_id = NULL",
            "UPDATE billing_autopayentry SET state = 'sent'",
            "UPDATE billing_autopayentry SET amount = 1",
        ],
    )
    def test_refuses_to_take_it_back(self, sent, app_cursor, statement):
        refuse(sent)
        with pytest.raises(psycopg.Error, match=r"cannot go|kept as it was|refused only"):
            app_cursor.execute(statement)

    def test_a_notice_holds_again_for_a_refused_file_only(self, sent, app_cursor):
        with pytest.raises(psycopg.Error, match="kept as it was given"):
            app_cursor.execute("UPDATE billing_autopaynotice SET closed_at = NULL")

    def test_an_undone_deposit_meets_no_line(self, sent):
        refuse(sent)
        with pytest.raises((IntegrityError, matching.NotOutstandingError)), transaction.atomic():
            _match(sent.deposit, BookkeeperFactory())

"""Notices, runs and what leaves: selected, approved, let out once."""

import datetime
from decimal import Decimal

import achkit
import pytest
from achlens.core.validator import validate
from django.core.exceptions import PermissionDenied

from billing import payments, verify
from billing.autopay import authorising, filing, noticing, reader, running, selecting
from billing.banking import matching, operations
from billing.banking.operations import AccountAnswer
from billing.collecting import arrangements
from billing.collecting.arrangements import Promised
from billing.models import AutopayCover, AutopayEntry, AutopayNotice, AutopayRun, BankLine, BankMatch, Deposit, OpenItem, Payment
from rentals.documents.models import OutboxMessage
from tests.billing.autopay.conftest import DEBIT_ON, NOW, TODAY, authorised, told
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import AgreementFactory
from tests.factories import BookkeeperFactory, UserFactory

D = Decimal


def prepare(clerk=None, **changes):
    given = {"wanted_on": DEBIT_ON, "acting_user": clerk or BookkeeperFactory(), "now": NOW, "today": TODAY}
    return running.prepare_run(**given | changes)


def let_out(run, clerk=None, **changes):
    given = {"run": run, "acting_user": clerk or BookkeeperFactory(), "now": NOW, "today": TODAY}
    return running.let_out(**given | changes)


def sent_run(**changes):
    """One family's debit, let out."""
    told(authorised(**changes))
    return let_out(prepare())


def text_of(run):
    return b"".join(filing.read_parts(run.file)).decode()


class TestNotices:
    def test_tell_what_is_and_will_be_due_ten_days_ahead(self, setup, bookkeeper):
        """26.65 since January 31 and the month that begins on February 28; the next begins on March 31, after the debit."""
        authorisation = authorised()
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 1
        notice = AutopayNotice.objects.get()
        assert (notice.amount, notice.debit_on) == (D("53.30"), datetime.date(2026, 3, 23))
        assert (notice.debit_on - notice.given_on).days >= 10
        body = OutboxMessage.objects.get(pk=notice.message_id).body
        assert "$53.30" in body
        assert "Mar 23, 2026" in body
        assert authorisation.last_four in body

    def test_once_however_often_asked(self, authorisation, bookkeeper):
        noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper)
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 0
        assert OutboxMessage.objects.filter(kind="autopay_notice").count() == 1

    def test_money_on_account_comes_off(self, authorisation, bookkeeper):
        household = authorisation.household
        payments.record_payment(
            household=household, method="cash", amount=D("40.00"), received_on=TODAY, acting_user=bookkeeper, now=NOW
        )
        noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper)
        assert AutopayNotice.objects.get().amount == D("13.30")

    def test_nobody_who_owes_nothing_or_ended_autopay(self, setup, bookkeeper):
        ended = authorised()
        authorising.end(authorisation=ended, how="revoked", why="Moved banks", acting_user=bookkeeper, now=NOW)
        authorised(AgreementFactory(starts_on=datetime.date(2026, 9, 1)).household)
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 0


class TestPrepare:
    def test_leaves_out_a_family_whose_promise_runs_and_tells_it_nothing(self, authorisation, bookkeeper):
        told(authorisation)
        promised = Promised("promise", "Jo Sample", ((DEBIT_ON + datetime.timedelta(days=20), D("26.65")),), D("26.65"))
        arrangements.arrange(household=authorisation.household, promised=promised, acting_user=bookkeeper, now=NOW, today=TODAY)
        (left_out,) = selecting.list_candidates(effective_on=DEBIT_ON, today=TODAY)
        assert left_out.why_not == "Promise to pay under way"
        AutopayNotice.objects.update(closed_at=NOW)
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 0

    def test_selects_what_is_due_and_was_told(self, authorisation):
        told(authorisation)
        run = prepare()
        assert (run.total, run.entry_count, run.effective_on, run.state) == (D("26.65"), 1, DEBIT_ON, "ready")
        cover = AutopayCover.objects.get()
        assert (cover.amount, cover.attempt, cover.is_open) == (D("26.65"), 0, True)

    @pytest.mark.parametrize(
        ("amount", "debit_on", "why"),
        [
            ("26.65", datetime.date(2026, 3, 20), "Told for"),
            ("20.00", DEBIT_ON, "More is due than was told"),
        ],
    )
    def test_says_why_others_are_left_out(self, authorisation, amount, debit_on, why):
        told(authorisation, amount, debit_on=debit_on)
        (candidate,) = selecting.list_candidates(effective_on=DEBIT_ON, today=TODAY)
        assert candidate.why_not.startswith(why)
        with pytest.raises(running.NothingToDebitError):
            prepare()

    def test_never_more_than_is_still_owed(self, authorisation, bookkeeper):
        told(authorisation)
        _pay(authorisation, "10.00", bookkeeper)
        assert prepare().total == D("16.65")

    def test_paid_meanwhile(self, authorisation, bookkeeper):
        told(authorisation)
        _pay(authorisation, "26.65", bookkeeper)
        (candidate,) = selecting.list_candidates(effective_on=DEBIT_ON, today=TODAY)
        assert candidate.why_not == "Paid meanwhile"

    def test_on_the_first_banking_day_that_can_be_reached(self, authorisation):
        """Good Friday is a banking day; a Saturday is none."""
        told(authorisation, debit_on=datetime.date(2026, 3, 14))
        assert prepare(wanted_on=datetime.date(2026, 3, 14)).effective_on == datetime.date(2026, 3, 16)

    def test_not_for_a_day_weeks_ahead(self, authorisation):
        told(authorisation)
        with pytest.raises(running.TooFarAheadError, match=r"Apr 10, 2026 is more than 30 days ahead"):
            prepare(wanted_on=TODAY + datetime.timedelta(days=31))
        assert not AutopayRun.objects.exists()

    def test_not_long_after_the_day_that_the_family_was_told(self, authorisation):
        """12 CFR 1005.10(d)(1): the family was told the date too."""
        told(authorisation)
        a_week, more = DEBIT_ON + datetime.timedelta(days=7), DEBIT_ON + datetime.timedelta(days=8)
        (candidate,) = selecting.list_candidates(effective_on=more, today=TODAY)
        assert candidate.why_not == "Told for Mar 12, 2026, too long before"
        with pytest.raises(running.NothingToDebitError):
            prepare(wanted_on=more)
        assert prepare(wanted_on=a_week).effective_on == a_week

    def test_one_at_a_time(self, authorisation):
        told(authorisation)
        prepare()
        with pytest.raises(running.RunUnderWayError, match="is prepared already"):
            prepare()

    def test_what_was_cancelled_is_free_again_under_the_next_attempt(self, authorisation, bookkeeper):
        told(authorisation)
        running.cancel_run(run=prepare(), acting_user=bookkeeper, now=NOW)
        prepare()
        assert list(AutopayCover.objects.order_by("pk").values_list("attempt", "is_open")) == [(0, False), (1, True)]


class TestApprove:
    def test_above_the_limit_by_another_person(self, authorisation, setup):
        setup.approval_limit = D("26.64")
        setup.save()
        told(authorisation)
        clerk, other = BookkeeperFactory(), BookkeeperFactory()
        run = prepare(clerk)
        assert run.state == "waiting"
        with pytest.raises(running.RunMovedOnError, match="waits for approval"):
            let_out(run)
        with pytest.raises(running.OwnRunError):
            running.approve_run(run=run, acting_user=clerk, now=NOW)
        with pytest.raises(PermissionDenied):
            running.approve_run(run=run, acting_user=UserFactory(role="specialist"), now=NOW)
        assert running.approve_run(run=run, acting_user=other, now=NOW).state == "ready"
        assert let_out(run, clerk).state == "sent"

    def test_at_the_limit_by_nobody(self, authorisation, setup):
        setup.approval_limit = D("26.65")
        setup.save()
        told(authorisation)
        assert prepare().state == "ready"


class TestLetOut:
    def test_pays_what_is_owed_makes_one_deposit_and_one_file(self, authorisation):
        told(authorisation)
        run = let_out(prepare())
        payment = Payment.objects.get()
        assert (payment.method, payment.amount, payment.received_on) == ("debit", D("26.65"), DEBIT_ON)
        assert not OpenItem.objects.filter(household=authorisation.household).exists()
        assert (run.deposit.kind, run.deposit.amount, run.deposit.deposited_on) == (Deposit.Kind.DEBITS, D("26.65"), DEBIT_ON)
        assert AutopayNotice.objects.get().closed_at is not None
        text = text_of(run)
        assert reader.read_bytes(text.encode()).debit_cents == 2665
        report = validate(text)
        assert (report.valid, report.counts_by_rule) == (True, {})
        assert achkit.validate(text) == {"ok": True, "errors": []}
        entry = next(line for line in text.splitlines() if line.startswith("6"))
        assert (entry[:12], entry[12:29].strip(), entry[29:39]) == ("627076401251", "7391846205518", "0000002665")
        assert (entry[39:54].strip(), entry[54:76].strip()) == (authorisation.household.number, "JO SAMPLE")
        assert entry[76:] == "  0" + "056005070000001"

    def test_again_gives_the_same_bytes_and_pays_nothing_twice(self, authorisation):
        told(authorisation)
        run = let_out(prepare())
        text = text_of(run)
        again = let_out(run)
        assert (again.pk, again.sent_at, text_of(again)) == (run.pk, run.sent_at, text)
        assert Payment.objects.count() == 1

    def test_leaves_out_who_ended_autopay_since(self, setup, bookkeeper):
        stays, goes = authorised(), authorised(number="4445556667")
        told(stays), told(goes)
        run = prepare()
        authorising.end(authorisation=goes, how="revoked", why="Asked at the counter", acting_user=bookkeeper, now=NOW)
        run = let_out(run)
        assert (run.total, run.entry_count) == (D("26.65"), 1)
        assert AutopayEntry.objects.get(household=goes.household).dropped_why == "Autopay ended"

    def test_leaves_out_who_paid_since(self, setup, bookkeeper):
        stays, paid = authorised(), authorised(number="4445556667")
        told(stays), told(paid)
        run = prepare()
        _pay(paid, "10.00", bookkeeper)
        assert let_out(run).entry_count == 1
        assert AutopayEntry.objects.get(household=paid.household).dropped_why == "Paid meanwhile"

    def test_leaves_out_who_promised_since(self, setup, bookkeeper):
        stays, promises = authorised(), authorised(number="4445556667")
        told(stays), told(promises)
        run = prepare()
        promised = Promised("promise", "Jo Sample", ((DEBIT_ON + datetime.timedelta(days=20), D("26.65")),), D("26.65"))
        arrangements.arrange(household=promises.household, promised=promised, acting_user=bookkeeper, now=NOW, today=TODAY)
        run = let_out(run)
        assert (run.total, run.entry_count) == (D("26.65"), 1)
        assert AutopayEntry.objects.get(household=promises.household).dropped_why == "Promise to pay under way"

    def test_too_late_for_its_day(self, authorisation):
        told(authorisation)
        with pytest.raises(running.TooLateError, match="can no longer be reached"):
            let_out(prepare(), today=DEBIT_ON)

    def test_online_authorisations_go_as_web(self, setup):
        told(authorised(channel="online", account_checked="Test deposits told", account_type="savings"))
        text = text_of(let_out(prepare()))
        assert text.splitlines()[1][50:53] == "WEB"
        assert text.splitlines()[2][1:3] == "37"
        assert text.splitlines()[2][76:78] == "R "
        assert validate(text).counts_by_rule == {}

    def test_nothing_is_left_half_done_when_the_check_fails(self, authorisation, monkeypatch):
        told(authorisation)
        run = prepare()
        monkeypatch.setattr(filing.words, "plain", lambda *_: "Ü" * 30)
        with pytest.raises(filing.SelfCheckError), _savepoint():
            let_out(run)
        monkeypatch.undo()
        assert Payment.objects.count() == 0
        assert AutopayRun.objects.get().state == "ready"
        assert let_out(run).state == "sent"

    def test_the_books_are_clean(self, authorisation):
        told(authorisation)
        let_out(prepare())
        assert [(check.title, found) for check, found in verify.run_checks() if found] == []


class TestAfterwards:
    def test_one_bank_line_meets_it_and_settles_it(self, authorisation, bookkeeper):
        told(authorisation)
        run = let_out(prepare())
        assert running.settle_matched_runs(acting_user=bookkeeper, now=NOW) == 0
        _match(run.deposit, bookkeeper)
        assert running.settle_matched_runs(acting_user=bookkeeper, now=NOW) == 1
        run.refresh_from_db()
        assert run.state == "settled"

    def test_a_stale_notice_makes_room(self, authorisation):
        told(authorisation)
        assert running.close_stale_notices(today=DEBIT_ON + datetime.timedelta(days=7), now=NOW) == 0
        assert running.close_stale_notices(today=DEBIT_ON + datetime.timedelta(days=8), now=NOW) == 1


def _pay(authorisation, amount, clerk):
    return payments.record_payment(
        household=authorisation.household, method="cash", amount=D(amount), received_on=TODAY, acting_user=clerk, now=NOW
    )


def bank_lines(*told, clerk):
    """Take in a file of the bank's with these lines (amount, day, words), and return them."""
    content = ofx1(*(line(f"A{n}", amount, on, name=words) for n, (amount, on, words) in enumerate(told)))
    file = operations.read_file(content=content, file_name="march.ofx", acting_user=clerk, now=NOW)
    answers = {each["fingerprints"][0]: AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    operations.take_in(file=file, answers=answers, same_lines=(), acting_user=clerk, now=NOW)
    return list(BankLine.objects.order_by("pk"))


def _match(deposit, clerk):
    (one,) = bank_lines((str(deposit.amount), deposit.deposited_on, "DEPOSIT"), clerk=clerk)
    parts = [matching.Part("entry", entry_id=deposit.entry_id)]
    matching.match_line(line=one, parts=parts, how="hand", acting_user=clerk, now=NOW)
    assert BankMatch.objects.filter(deposit=deposit, undone_at=None).exists()


def _savepoint():
    from django.db import transaction

    return transaction.atomic()

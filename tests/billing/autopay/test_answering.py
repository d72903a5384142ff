"""What came back and what is corrected: payments taken back, families told, presented again, stopped, corrected."""

import datetime
from decimal import Decimal

import pytest

from billing import charges, payments, queries, verify
from billing.autopay import answering, crypto, noticing, retries, running, selecting
from billing.autopay import queries as autopay_queries
from billing.autopay.reader import NachaFileError
from billing.banking import matching
from billing.banking.outstanding import list_outstanding
from billing.models import AutopayAnswers, AutopayAuthorisation, AutopayEntry, AutopayReturn, OpenItem, PaymentReturn
from rentals.documents.models import OutboxMessage
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import CANARY, NOW, authorised, told
from tests.billing.autopay.test_running import bank_lines, prepare, sent_run, text_of
from tests.factories import BookkeeperFactory

D = Decimal
LATER = datetime.date(2026, 3, 16)
SOON = datetime.date(2026, 3, 17)


def take(content, *, on=LATER, name="returns.ach"):
    """Read a file and take it in."""
    clerk = BookkeeperFactory()
    file = answering.read_answers(content=content, file_name=name, acting_user=clerk, now=NOW)
    return answering.take_in(file=file, acting_user=clerk, now=NOW, today=on)


def trace_of(run):
    return run.entries.get().trace


def again(on=LATER):
    """Prepare and let out what is to be presented again."""
    run = prepare(today=on, wanted_on=on)
    return running.let_out(run=run, acting_user=BookkeeperFactory(), now=NOW, today=on)


def clean():
    return [(check.title, found) for check, found in verify.run_checks() if found] == []


class TestReturns:
    def test_takes_the_payment_back_with_its_credit_and_tells_the_family(self, setup):
        run = sent_run()
        household = run.entries.get().household
        agreement = household.agreements.get()
        before = queries.sum_rental_credit(agreement.pk, on=LATER).earned
        assert before > 0
        take(returns(run, (trace_of(run), "R01")))
        assert OpenItem.objects.get(household=household).open == D("26.65")
        assert queries.sum_rental_credit(agreement.pk, on=LATER).earned == 0
        assert PaymentReturn.objects.get().reason == "R01 Not enough money"
        body = OutboxMessage.objects.get(kind="autopay_return").body
        assert "$26.65" in body
        assert "not enough money" in body
        assert "once more" in body
        assert clean()

    def test_the_same_file_again_adds_nothing(self, setup):
        run = sent_run()
        content = returns(run, (trace_of(run), "R01"))
        take(content)
        with pytest.raises(answering.AnswersTakenError):
            take(content)
        assert AutopayReturn.objects.count() == 1

    def test_an_overlapping_file_adds_what_is_new(self, setup):
        told(authorised()), told(authorised(number="4445556667"))
        run = running.let_out(run=prepare(), acting_user=BookkeeperFactory(), now=NOW, today=NOW.date())
        first, second = run.entries.order_by("trace").values_list("trace", flat=True)
        take(returns(run, (first, "R01")))
        found = take(returns(run, (first, "R01"), (second, "R02")))
        assert [each.is_known for each in found.returns] == [True, False]
        assert AutopayReturn.objects.count() == 2
        assert clean()

    def test_an_unknown_trace_number_names_its_line(self, setup):
        run = sent_run()
        with pytest.raises(NachaFileError, match=r"Line 3: trace number 056005079999999 is of no debit"):
            take(returns(run, ("056005079999999", "R01")))
        assert AutopayAnswers.objects.count() == 0

    def test_another_amount_is_refused(self, setup):
        run = sent_run()
        content = (
            returns(run, (trace_of(run), "R01")).replace(b"0000002665", b"0000002664").replace(b"000000002665", b"000000002664")
        )
        with pytest.raises(NachaFileError, match=r"Line 3: .*another amount"):
            take(content)

    @pytest.mark.parametrize("code", ["R02", "R03", "R04", "R05", "R07", "R08", "R10", "R11", "R16", "R20", "R29", "R51"])
    def test_stops_autopay(self, setup, code):
        """Unauthorised ones (R05 R07 R10 R11 R29 R51) and those whose account cannot be debited."""
        run = sent_run()
        take(returns(run, (trace_of(run), code)))
        authorisation = AutopayAuthorisation.objects.get()
        assert (authorisation.ended_how, code in authorisation.ended_why) == ("returned", True)
        assert retries.list_waiting() == []
        assert "no further debits" in OutboxMessage.objects.get(kind="autopay_return").body
        with pytest.raises(running.NothingToDebitError):
            again()

    @pytest.mark.parametrize("code", ["R06", "R24"])
    def test_neither_stops_nor_presents_again_what_says_neither(self, setup, code):
        run = sent_run()
        take(returns(run, (trace_of(run), code)))
        assert AutopayAuthorisation.objects.get().is_in_force
        assert retries.list_waiting() == []

    def test_a_payment_taken_back_by_hand_is_not_taken_back_twice(self, setup):
        run = sent_run()
        clerk = BookkeeperFactory()
        payments.return_payment(
            payment=run.entries.get().payment, reason="By hand", returned_on=LATER, acting_user=clerk, now=NOW
        )
        found = take(returns(run, (trace_of(run), "R02")))
        assert len(found.fresh_returns) == 1
        assert PaymentReturn.objects.count() == 1
        assert clean()


class TestPresentedAgain:
    @pytest.mark.parametrize("code", ["R01", "R09"])
    def test_at_most_twice_and_for_the_same_amount(self, setup, code):
        run = sent_run()
        for number, day in enumerate((LATER, datetime.date(2026, 3, 19)), start=1):
            take(returns(run, (trace_of(run), code)), on=day, name=f"{number}.ach")
            run = again(day)
            entry = run.entries.get()
            assert (entry.retry, entry.amount, entry.notice) == (number, D("26.65"), None)
            assert "5225EXAMPLE RENTAL  " in text_of(run)
            assert "PPDRETRY PYMT" in text_of(run)
        take(returns(run, (trace_of(run), code)), on=datetime.date(2026, 3, 24), name="3.ach")
        assert retries.list_waiting() == []
        assert "owed again" in OutboxMessage.objects.filter(kind="autopay_return").latest("pk").body
        assert AutopayEntry.objects.count() == 3
        assert clean()

    def test_not_after_180_days(self, setup):
        run = sent_run()
        take(returns(run, (trace_of(run), "R01")))
        last = run.effective_on + datetime.timedelta(days=180)
        (candidate,) = selecting.list_candidates(effective_on=last, today=LATER)
        assert candidate.is_selected
        (candidate,) = selecting.list_candidates(effective_on=last + datetime.timedelta(days=1), today=LATER)
        assert candidate.why_not == "180 days are over"

    def test_not_when_part_of_it_was_paid(self, setup):
        run = sent_run()
        take(returns(run, (trace_of(run), "R01")))
        household, clerk = run.entries.get().household, BookkeeperFactory()
        payments.record_payment(household=household, method="cash", amount=D(5), received_on=LATER, acting_user=clerk, now=NOW)
        assert selecting.list_candidates(effective_on=SOON, today=LATER) == []

    def test_what_waits_to_be_presented_again_is_in_no_notice(self, setup):
        run = sent_run()
        take(returns(run, (trace_of(run), "R01")))
        (due,) = noticing.list_notices_due(today=LATER)
        assert due.amount == D("26.65"), "the month that begins on February 28, and not January's again"


class TestCorrections:
    def test_are_used_by_the_next_debit(self, setup):
        """C03 and C05: Nacha 2013, appendix 5, part 5.3."""
        run = sent_run()
        trace = trace_of(run)
        take(returns(run, corrections=[(trace, "C03", f"114000653   {'8800112233':<17}"), (trace, "C05", "37")]))
        authorisation = AutopayAuthorisation.objects.get()
        assert (authorisation.routing_number, authorisation.last_four, authorisation.account_type) == (
            "114000653",
            "2233",
            "savings",
        )
        number = crypto.ring().open(authorisation.account_sealed, about=crypto.about_account(authorisation.pk)).decode()
        assert number == "8800112233"
        assert authorisation.account_index == crypto.ring().index("114000653", "8800112233")
        told(authorisation, debit_on=datetime.date(2026, 3, 20))
        _charge_february(authorisation.household)
        run = running.let_out(
            run=prepare(wanted_on=datetime.date(2026, 3, 20)), acting_user=BookkeeperFactory(), now=NOW, today=NOW.date()
        )
        line = next(line for line in text_of(run).splitlines() if line.startswith("6"))
        assert line[:29] == f"637114000653{'8800112233':<17}"

    def test_once_and_without_the_number_anywhere_in_clear(self, setup):
        run = sent_run()
        take(returns(run, corrections=[(trace_of(run), "C01", "8800112233")]))
        found = take(returns(run, corrections=[(trace_of(run), "C01", "8800112233"), (trace_of(run), "C05", "37")]), name="b.ach")
        assert [each.is_known for each in found.corrections] == [True, False]
        assert AutopayAnswers.objects.exclude(sealed=None).count() == 0
        assert "8800112233" not in repr(found)

    def test_after_autopay_ended_it_is_only_noted(self, setup):
        run = sent_run()
        take(returns(run, (trace_of(run), "R02")))
        found = take(returns(run, corrections=[(trace_of(run), "C01", "8800112233")]), name="b.ach")
        assert not found.corrections[0].is_usable
        assert AutopayAuthorisation.objects.get().last_four == CANARY[-4:]


class TestRates:
    def test_count_by_the_day_of_the_debit(self, setup):
        run = sent_run()
        take(returns(run, (trace_of(run), "R10")))
        rates = {rate.name: rate for rate in autopay_queries.list_rates(today=LATER)}
        assert [(rate.returned, rate.debits) for rate in rates.values()] == [(1, 1), (0, 1), (1, 1)]
        assert rates["Not authorized"].is_at_line
        gone = autopay_queries.list_rates(today=run.effective_on + datetime.timedelta(days=60))
        assert [rate.debits for rate in gone] == [0, 0, 0]


def _charge_february(household):
    from billing import charges

    charges.charge_period(agreement=household.agreements.get(), period=1, acting_user=BookkeeperFactory(), now=NOW)


class TestOddAnswers:
    @pytest.mark.parametrize("number", ["A#12345", "12", "7391 846.205", "1" * 2 + "*" * 15])
    def test_a_corrected_number_that_no_file_can_carry_is_noted_only(self, setup, number):
        run = sent_run()
        trace = trace_of(run)
        found = take(returns(run, (trace, "R01"), corrections=[(trace, "C01", f"{number:<17}")]))
        assert [each.is_usable for each in found.corrections] == [False]
        assert run.entries.get().corrections.get().is_used is False
        authorisation = AutopayAuthorisation.objects.get()
        sealed = crypto.ring().open(authorisation.account_sealed, about=crypto.about_account(authorisation.pk))
        assert (authorisation.last_four, sealed.decode()) == (CANARY[-4:], CANARY)
        assert AutopayReturn.objects.count() == 1

    def test_one_correction_told_twice_in_a_file_counts_once(self, setup):
        run = sent_run()
        told_twice = [(trace_of(run), "C01", f"{'998877665':<17}")] * 2
        found = take(returns(run, corrections=told_twice))
        assert len(found.corrections) == 1
        assert AutopayAuthorisation.objects.get().last_four == "7665"

    def test_two_corrections_of_one_account_that_differ_are_refused(self, setup):
        run = sent_run()
        differ = [(trace_of(run), "C01", f"{'998877665':<17}"), (trace_of(run), "C01", f"{'998877666':<17}")]
        with pytest.raises(NachaFileError, match="corrected twice"):
            take(returns(run, corrections=differ))


class TestWhatIsNotPresentedAgain:
    def test_what_was_paid_in_part_is_told_anew_for_the_rest(self, setup, bookkeeper):
        run = sent_run()
        household = run.entries.get().household
        take(returns(run, (trace_of(run), "R01")))
        assert len(retries.list_waiting()) == 1
        payments.record_payment(
            household=household, method="cash", amount=D("10.00"), received_on=LATER, acting_user=bookkeeper, now=NOW
        )
        assert retries.list_waiting() == []
        noticing.give_notices(today=LATER, now=NOW, acting_user=bookkeeper)
        notice = household.autopay_notices.get(closed_at=None)
        assert notice.amount == D("16.65") + D("26.65")  # the rest of January and the month that begins on February 28

    def test_what_was_paid_another_way_waits_no_more(self, setup, bookkeeper):
        run = sent_run()
        take(returns(run, (trace_of(run), "R01")))
        payments.record_payment(
            household=run.entries.get().household, method="cash", amount=D("26.65"), received_on=LATER,
            acting_user=bookkeeper, now=NOW,
        )  # fmt: skip
        assert retries.list_waiting() == []
        assert selecting.list_candidates(effective_on=SOON, today=LATER) == []

    @pytest.mark.parametrize("codes", [["R01", "R01", "R09"], ["R24"], ["R06"]])
    def test_what_the_family_was_asked_to_pay_another_way_is_debited_no_more(self, setup, bookkeeper, codes):
        """Nacha 2013, 2.12.4: presented again twice at most; a new debit of the amount for the same debt is once more."""
        run = sent_run()
        charge = run.entries.get().covers.get().charge_id
        household = run.entries.get().household
        days = (LATER, datetime.date(2026, 3, 19), datetime.date(2026, 3, 24))
        for number, (code, day) in enumerate(zip(codes, days, strict=False)):
            take(returns(run, (trace_of(run), code)), on=day, name=f"{number}.ach")
            if number + 1 < len(codes):
                run = again(day)
        assert "pay it another way" in OutboxMessage.objects.filter(kind="autopay_return").latest("pk").body
        noticing.give_notices(today=days[-1], now=NOW, acting_user=bookkeeper)
        notice = household.autopay_notices.get(closed_at=None)
        assert notice.amount == D("53.30")  # the months that begin on February 28 and March 31, and January's no more
        billed = charges.charge_period(agreement=household.agreements.get(), period=1, acting_user=bookkeeper, now=NOW)
        (candidate,) = selecting.list_candidates(effective_on=notice.debit_on, today=days[-1])
        assert candidate.covers == ((billed.pk, D("26.65")),)
        assert charge != billed.pk
        assert clean()

    def test_a_new_authorization_debits_it_after_all(self, setup, bookkeeper):
        run = sent_run()
        household = run.entries.get().household
        take(returns(run, (trace_of(run), "R03")))
        authorised(household, number="4445556667")
        noticing.give_notices(today=LATER, now=NOW, acting_user=bookkeeper)
        assert household.autopay_notices.get(closed_at=None).amount == D("53.30")


class TestBesideTheBank:
    def test_a_return_that_the_file_tells_too_stays_when_its_bank_line_is_undone(self, setup, bookkeeper):
        """The bookkeeper matched the wrong line; that the debit came back is true all the same."""
        run = sent_run()
        payment = run.entries.get().payment
        (line,) = bank_lines(("-26.65", LATER, "RETURNED ITEM"), clerk=bookkeeper)
        matching.match_returned(line=line, payment=payment, reason="Account closed", acting_user=bookkeeper, now=NOW)
        take(returns(run, (trace_of(run), "R02")))
        matching.undo_match(line=line, acting_user=bookkeeper, now=NOW)
        assert PaymentReturn.objects.get().payment == payment
        assert not line.matches.filter(undone_at=None).exists()
        assert [(item.kind, item.amount) for item in list_outstanding()] == [("deposit", D("26.65")), ("return", D("-26.65"))]
        assert clean()

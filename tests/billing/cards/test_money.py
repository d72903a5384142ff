"""Refunds to cards, disputes and payouts in the books: every figure a bookkeeper's own sum."""

import datetime
from decimal import Decimal
from uuid import uuid4

import pytest

from billing import charges, chart, deposits, payments, queries, verify
from billing.banking.outstanding import list_outstanding
from billing.cards import attempts, events, payouts, refunds
from billing.cards.ports import Outcome, PayoutLine, PayoutTold, Told
from billing.closing import clearing
from billing.models import CardPayout, CardRefund, Payment, Posting
from tests.billing.cards.stripe_server import charge, event, part, signature
from tests.billing.factories import NOON, HouseholdFactory

D = Decimal
ARRIVES = datetime.date(2026, 3, 12)
pytestmark = pytest.mark.django_db


def on_account(code):
    return sum((p.amount for p in Posting.objects.filter(account=code)), D(0))


@pytest.fixture
def pay(cards, server, begin):
    """`pay("30.00")` is a paid attempt of a family of its own."""

    def make(amount="30.00", household=None):
        attempt = attempts.open_page(attempt=begin(amount, household=household or HouseholdFactory()), now=NOON)
        server.pay(attempt.session)
        return attempts.ask(attempt=attempt, now=NOON)

    return make


def refund(attempt, clerk, amount="10.00", key=None):
    given = refunds.CardRefundGiven(D(amount), "Paid twice")
    asked = refunds.ask_for_refund(attempt=attempt, given=given, key=key or uuid4(), acting_user=clerk, now=NOON)
    return refunds.send(card_refund=asked, now=NOON)


def dispute(attempt, cards):
    body = event(
        "charge.dispute.funds_withdrawn", {"id": "dp_1", "payment_intent": attempt.charge, "amount": 1, "reason": "fraudulent"}
    )
    events.take_event(processor="stripe", told=cards.read_event(body, signature(body)), now=NOON)


def book(*lines, amount, clerk, name="po_1", currency="USD"):
    told = PayoutTold(name, ARRIVES, D(amount), currency, tuple(PayoutLine(k, r, D(a), D(f)) for k, r, a, f in lines))
    return payouts.book_payout(processor="stripe", told=told, acting_user=clerk, now=NOON)


class TestRefund:
    def test_goes_back_out_of_what_is_on_the_way(self, pay, server, clerk):
        attempt = pay()
        done = refund(attempt, clerk)
        assert (done.state, done.reference) == ("done", next(iter(server.refunds)))
        assert (on_account(chart.CARDS_ON_THE_WAY), queries.sum_balance(attempt.household_id)) == (D(20), D(-20))

    def test_sent_again_goes_back_once(self, pay, server, clerk):
        attempt, key = pay(), uuid4()
        assert refund(attempt, clerk, key=key).pk == refund(attempt, clerk, key=key).pk
        assert (len(server.refunds), CardRefund.objects.count()) == (1, 1)

    def test_never_more_than_was_paid(self, pay, clerk):
        attempt = pay()
        refund(attempt, clerk, "25.00")
        with pytest.raises(refunds.MoreThanPaidError, match=r"At most \$5\.00"):
            refund(attempt, clerk, "6.00")

    @pytest.mark.parametrize("mood", ["hang", "broken"])
    def test_without_an_answer_it_waits_and_the_sweep_asks(self, pay, server, clerk, mood):
        attempt = pay()
        server.mood = mood
        assert refund(attempt, clerk).state == "asked"
        server.mood = ""
        assert refunds.sweep(now=NOON + datetime.timedelta(minutes=2)) == 1
        assert (len(server.refunds), CardRefund.objects.get().state) == (1, "done")

    def test_refused_it_is_on_the_account_again(self, pay, server, clerk):
        attempt = pay()
        server.act = lambda *_: (400, {"error": {"type": "invalid_request_error", "code": "charge_disputed"}})
        failed = refund(attempt, clerk)
        assert (failed.state, queries.sum_balance(attempt.household_id)) == ("failed", D(-30))
        assert on_account(chart.CARDS_ON_THE_WAY) == D(30)
        assert refunds.left_of(attempt) == D(30)

    def test_what_went_back_is_not_voided(self, pay, clerk):
        done = refund(pay(), clerk)
        with pytest.raises(charges.RefundLeftError, match="went back to a card"):
            charges.void_charge(charge=done.refund.charge, reason="Wrong", acting_user=clerk, now=NOON)

    def test_nothing_of_what_was_not_paid(self, cards, begin, clerk):
        with pytest.raises(refunds.NotPaidByCardError):
            refund(begin(), clerk)


class TestPayout:
    def test_meets_one_bank_line_net_of_fees(self, pay, clerk):
        """30.00 + 26.65 less 2.48 in fees is 54.17 on the bank's line; nothing is on the way any more."""
        first, second = pay("30.00"), pay("26.65")
        made = book(
            ("payment", first.charge, "30.00", "1.40"), ("payment", second.charge, "26.65", "1.08"), amount="54.17", clerk=clerk
        )
        deposit = made.deposit
        assert (deposit.kind, deposit.amount, deposit.fee, deposit.deposited_on) == ("cards", D("54.17"), D("2.48"), ARRIVES)
        assert (on_account(chart.CARDS_ON_THE_WAY), on_account(chart.CARD_FEES)) == (D(0), D("2.48"))
        assert [(item.kind, item.amount) for item in list_outstanding()] == [("deposit", D("54.17"))]

    def test_a_refund_and_a_dispute_make_a_later_one_smaller(self, cards, pay, clerk):
        """100.00 and 40.00 are paid out; the next 80.00 come less 10.00 back and the 40.00 in dispute, and less fees of 17.00."""
        large, bad = pay("100.00"), pay("40.00")
        book(("payment", large.charge, "100", "3"), ("payment", bad.charge, "40", "1"), amount="136.00", clerk=clerk)
        back = refund(large, clerk)
        dispute(bad, cards)
        assert on_account(chart.CARDS_ON_THE_WAY) == D(-50)
        new = pay("80.00")
        lines = [("payment", new.charge, "80", "2"), ("refund", back.reference, "-10", "0"), ("dispute", bad.charge, "-40", "15")]
        made = book(*lines, amount="13.00", clerk=clerk, name="po_2")
        assert (made.problem, made.deposit.amount, made.deposit.fee) == ("", D(13), D(17))
        assert on_account(chart.CARDS_ON_THE_WAY) == D(0)
        assert [found for _, found in verify.run_checks() if found] == []

    def test_a_payment_disputed_before_its_payout(self, cards, pay, clerk):
        bad, good = pay("40.00"), pay("60.00")
        dispute(bad, cards)
        lines = [("payment", bad.charge, "40", "1"), ("payment", good.charge, "60", "2"), ("dispute", bad.charge, "-40", "15")]
        made = book(*lines, amount="42.00", clerk=clerk)
        assert (made.deposit.amount, on_account(chart.CARDS_ON_THE_WAY)) == (D(42), D(0))
        assert [found for _, found in verify.run_checks() if found] == []

    @pytest.mark.parametrize(
        ("lines", "amount", "words"),
        [
            ([("payment", "pi_unknown", "30", "1")], "29.00", "Not in the books: payment pi_unknown $30.00. It is $29.00 apart"),
            ([("other", "reserve txn_9", "-5", "0")], "-5.00", "More went back than came in"),
            ([], "0.01", r"It is $0.01 apart"),
        ],
    )
    def test_one_that_does_not_add_up_is_shown_and_not_forced(self, cards, clerk, lines, amount, words):
        made = book(*lines, amount=amount, clerk=clerk)
        assert (made.deposit, words in made.problem) == (None, True), made.problem
        assert not Posting.objects.exists()

    def test_a_cent_off_is_not_forced(self, pay, clerk):
        attempt = pay()
        made = book(("payment", attempt.charge, "30", "1"), amount="28.99", clerk=clerk)
        assert (made.deposit, made.difference) == (None, D("-0.01"))

    def test_another_currency_is_not_forced(self, pay, clerk):
        attempt = pay()
        assert "It is in EUR" in book(("payment", attempt.charge, "30", "1"), amount="29.00", clerk=clerk, currency="EUR").problem

    def test_is_booked_as_soon_as_it_adds_up(self, cards, server, begin, clerk):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        server.pay(attempt.session)
        line = ("payment", f"pi_{attempt.session.removeprefix('cs_test_')}", "30", "1")
        assert book(line, amount="29.00", clerk=clerk).deposit is None
        attempts.ask(attempt=attempt, now=NOON)
        assert book(line, amount="29.00", clerk=clerk).deposit.amount == D(29)
        assert book(line, amount="29.00", clerk=clerk).pk == CardPayout.objects.get().pk

    def test_a_payment_is_paid_out_once(self, pay, clerk):
        attempt = pay()
        book(("payment", attempt.charge, "30", "1"), amount="29.00", clerk=clerk)
        again = book(("payment", attempt.charge, "30", "1"), amount="29.00", clerk=clerk, name="po_2")
        assert "in another payout already" in again.problem

    def test_is_read_from_the_processor(self, cards, server, pay, clerk):
        attempt = pay()
        day = int(datetime.datetime(2026, 3, 12, tzinfo=datetime.UTC).timestamp())
        server.pay_out("po_1", day, [part("charge", 3000, 117, charge(attempt.charge))])
        [made] = payouts.read_payouts(processor=cards, acting_user=clerk, now=NOON, today=ARRIVES)
        assert made.deposit.amount == D("28.83")
        assert payouts.read_payouts(processor=cards, acting_user=clerk, now=NOON, today=ARRIVES) == []


def test_a_deposit_of_cards_may_still_be_made_by_hand(pay, clerk):
    attempt = pay()
    made = deposits.make_deposit(
        payments=[Payment.objects.get()], deposited_on=ARRIVES, acting_user=clerk, now=NOON, kind="cards", fee=D(1)
    )
    assert (made.amount, attempt.state) == (D(29), "succeeded")
    assert Outcome(Told.PAID).told == "paid"


def on_the_way(day):
    """What makes up the account of card payments at the end of a day; its balance is explained to the cent."""
    found = clearing.explain(chart.CARDS_ON_THE_WAY, day)
    assert (found.unexplained, found.is_explained, found.balance) == (D(0), True, sum(item.amount for item in found.items))
    return sorted((item.kind, item.amount) for item in found.items)


class TestExplained:
    TODAY, LATER = NOON.date(), ARRIVES + datetime.timedelta(days=2)

    def test_a_refund_to_the_card_until_a_payout_came_to_so_much_less(self, pay, clerk):
        attempt = pay("30.00")
        back = refund(attempt, clerk)
        assert on_the_way(self.TODAY) == [("payment", D(30)), ("refund", D(-10))]
        book(("payment", attempt.charge, "30", "1"), ("refund", back.reference, "-10", "0"), amount="19.00", clerk=clerk)
        assert (on_the_way(ARRIVES), on_the_way(self.TODAY)) == ([], [("payment", D(30)), ("refund", D(-10))])

    def test_a_refund_after_the_payment_was_paid_out(self, pay, clerk):
        attempt = pay("30.00")
        book(("payment", attempt.charge, "30", "1"), amount="29.00", clerk=clerk)
        back = refund(attempt, clerk)
        assert on_the_way(ARRIVES) == [("refund", D(-10))]
        other = pay("50.00")
        lines = [("payment", other.charge, "50", "2"), ("refund", back.reference, "-10", "0")]
        book(*lines, amount="38.00", clerk=clerk, name="po_2")
        assert on_the_way(ARRIVES) == []

    def test_a_refund_that_the_card_did_not_take(self, pay, server, clerk):
        attempt = pay("30.00")
        server.act = lambda *_: (400, {"error": {"type": "invalid_request_error", "code": "charge_disputed"}})
        refund(attempt, clerk)
        assert on_the_way(self.LATER) == [("payment", D(30))]

    def test_a_dispute_before_the_payout_is_beside_its_payment(self, cards, pay, clerk):
        bad, good = pay("40.00"), pay("60.00")
        dispute(bad, cards)
        assert on_the_way(self.LATER) == [("payment", D(-40)), ("payment", D(40)), ("payment", D(60))]
        lines = [("payment", bad.charge, "40", "1"), ("payment", good.charge, "60", "2"), ("dispute", bad.charge, "-40", "15")]
        book(*lines, amount="42.00", clerk=clerk)
        assert on_the_way(self.LATER) == []

    def test_a_dispute_after_the_payout_waits_for_the_next(self, cards, pay, clerk):
        bad = pay("40.00")
        book(("payment", bad.charge, "40", "1"), amount="39.00", clerk=clerk)
        dispute(bad, cards)
        assert on_the_way(self.LATER) == [("payment", D(-40))]
        good = pay("60.00")
        lines = [("payment", good.charge, "60", "2"), ("dispute", bad.charge, "-40", "15")]
        book(*lines, amount="3.00", clerk=clerk, name="po_2")
        assert on_the_way(self.LATER) == []

    def test_a_payment_that_no_processor_tells_of_leaves_nothing_when_it_came_back(self, clerk):
        given = {"method": "card", "amount": D(25), "received_on": self.TODAY, "acting_user": clerk, "now": NOON}
        paid = payments.record_payment(household=HouseholdFactory(), **given)
        assert on_the_way(self.TODAY) == [("payment", D(25))]
        payments.return_payment(payment=paid, reason="Disputed", returned_on=self.TODAY, acting_user=clerk, now=NOON)
        assert on_the_way(self.TODAY) == []

"""The adapter on the official library, before a server of our own: signatures, refunds, payouts.

Signature and tolerance: docs.stripe.com/webhooks#verify-manually ("t=…,v1=…", HMAC-SHA256 over timestamp, dot, raw body; five
minutes by default). Payout and balance transaction: docs.stripe.com/api/payouts, docs.stripe.com/api/balance_transactions.
"""

import datetime
import json
import time
from decimal import Decimal
from uuid import uuid4

import pytest

from billing.cards.ports import EventRefusedError, PaymentProcessor, ProcessorRefusedError, ProcessorSilentError, RefundAsked
from tests.billing.cards.stripe_server import charge, event, part, signature
from tests.billing.factories import NOON

D = Decimal


def typed(processor: PaymentProcessor) -> PaymentProcessor:
    """The type checker holds that the adapter fits the port."""
    return processor


class TestReadEvent:
    def body(self, **changes):
        about = {"id": "cs_1", "object": "checkout.session", "payment_status": "paid", "payment_intent": "pi_1"}
        about |= {"amount_total": 2665, "metadata": {"attempt": "0b9f6f2e-4f1e-4a53-9c0f-1a5f6a1d2b3c"}, **changes}
        return event("checkout.session.completed", about)

    def test_reads_what_matters(self, pages):
        told = typed(pages).read_event(self.body(), signature(self.body()))
        assert (told.kind, told.session, told.charge, told.amount) == ("paid", "cs_1", "pi_1", D("26.65"))
        assert str(told.attempt_key) == "0b9f6f2e-4f1e-4a53-9c0f-1a5f6a1d2b3c"
        assert told.happened_at == datetime.datetime(2026, 3, 10, 16, 26, 40, tzinfo=datetime.UTC)

    def test_complete_is_not_paid(self, pages):
        body = self.body(payment_status="unpaid")
        assert pages.read_event(body, signature(body)).kind == "other"

    @pytest.mark.parametrize("kind", ["customer.created", "charge.succeeded", "invented.later"])
    def test_keeps_what_it_does_not_know_as_other(self, pages, kind):
        body = event(kind, {"id": "x"})
        assert pages.read_event(body, signature(body)).kind == "other"

    @pytest.mark.parametrize(
        "given", ["", "t=1,v1=00", "nonsense", "t=,v1=", f"t={int(time.time())}", f"v1={'0' * 64}", f"t={10**30},v1=00"]
    )
    def test_refuses_a_bad_signature(self, pages, given):
        with pytest.raises(EventRefusedError):
            pages.read_event(self.body(), given)

    def test_refuses_another_secret_and_another_body(self, pages):
        with pytest.raises(EventRefusedError):
            pages.read_event(self.body(), signature(self.body(), secret="whsec_other"))
        with pytest.raises(EventRefusedError):
            pages.read_event(self.body() + b" ", signature(self.body()))

    def test_refuses_what_is_over_five_minutes_old(self, pages):
        assert pages.read_event(self.body(), signature(self.body(), at=time.time() - 290)).kind == "paid"
        with pytest.raises(EventRefusedError):
            pages.read_event(self.body(), signature(self.body(), at=time.time() - 302))

    @pytest.mark.parametrize("body", [b"", b"[]", b"{}", b"nonsense", b"\xff\xfe", b'{"id": "evt_1", "type": "payout.paid"}'])
    def test_refuses_what_is_no_message_though_it_is_signed(self, pages, body):
        with pytest.raises(EventRefusedError):
            pages.read_event(body, signature(body) if body.isascii() else "t=1,v1=00")

    def test_keeps_nothing_of_a_card(self, pages):
        """What a charge says of a card is in none of the fields we keep."""
        about = {
            "id": "pi_1",
            "metadata": {},
            "last_payment_error": {"decline_code": "do_not_honor", "message": "4242 4242 4242 4242"},
        }
        about["last_payment_error"]["payment_method"] = {"card": {"last4": "4242", "brand": "visa"}}
        body = event("payment_intent.payment_failed", about)
        assert "4242" not in repr(pages.read_event(body, signature(body)))


class TestRefund:
    def asked(self, key=None):
        return RefundAsked(key or uuid4(), "pi_1", D("10.00"), "USD", NOON)

    def test_the_same_key_gives_it_once(self, pages, server):
        asked = self.asked()
        first = pages.refund(asked)
        server.answers.clear()  # as a day later, when the processor has forgotten idempotency keys
        assert pages.refund(asked) == first
        assert [each["amount"] for each in server.refunds.values()] == [1000]

    @pytest.mark.parametrize("mood", ["hang", "broken"])
    def test_a_lost_answer_is_found_again(self, pages, server, mood):
        asked = self.asked()
        listing = server.act

        def break_after(method, path, form):
            answer = listing(method, path, form)
            server.mood = mood if method == "POST" else ""
            return answer

        server.act = break_after
        with pytest.raises(ProcessorSilentError):
            pages.refund(asked)
        server.mood, server.act = "", listing
        assert pages.refund(asked) in server.refunds
        assert len(server.refunds) == 1

    def test_a_failed_one_is_a_clear_no(self, pages, server):
        name = pages.refund(self.asked(key := uuid4()))
        server.refunds[name]["status"] = "failed"
        with pytest.raises(ProcessorRefusedError, match="did not take the money back"):
            pages.refund(self.asked(key))


class TestListPayouts:
    def test_tells_each_line_by_what_it_is_about(self, pages, server):
        day = int(datetime.datetime(2026, 3, 12, tzinfo=datetime.UTC).timestamp())
        dispute = {"id": "dp_1", "object": "dispute", "payment_intent": "pi_2"}
        refund = {"id": "re_1", "object": "refund", "payment_intent": "pi_3"}
        parts = [
            part("charge", 3000, 117, charge("pi_1")),
            part("refund", -1000, 0, refund),
            part("adjustment", -500, 1500, dispute),
        ]
        parts += [part("stripe_fee", -25, 0, None), part("contribution", -1, 0, None)]
        server.pay_out("po_1", day, parts)
        [told] = pages.list_payouts(datetime.date(2026, 1, 1))
        assert (told.reference, told.arrives_on, told.amount, told.currency) == (
            "po_1",
            datetime.date(2026, 3, 12),
            D("-1.43"),
            "USD",
        )
        assert [(line.kind, line.reference, line.amount, line.fee) for line in told.lines] == [
            ("payment", "pi_1", D(30), D("1.17")),
            ("refund", "re_1", D(-10), D(0)),
            ("dispute", "pi_2", D(-5), D(15)),
            ("fee", "txn_stripe_fee_-25_0", D("-0.25"), D(0)),
            ("other", "contribution txn_contribution_-1_0", D("-0.01"), D(0)),
        ]


class TestErrors:
    def test_says_which_of_the_office_and_never_what_was_sent(self, pages, server, caplog):
        server.act = lambda *_: (401, {"error": {"type": "invalid_request_error", "message": "Invalid API Key sk_test_made_up"}})
        with pytest.raises(ProcessorRefusedError, match="does not accept this office’s key") as refused:
            pages.list_payouts(datetime.date(2026, 1, 1))
        assert "sk_test" not in str(refused.value) + caplog.text

    def test_pages_are_its_own_only(self, pages, server):
        assert pages.is_page("https://checkout.stripe.com/c/pay/cs_1")
        for url in (
            "https://checkout.stripe.com.evil.example/",
            "//checkout.stripe.com/",
            "javascript:alert(1)",
            "http://checkout.stripe.com/",
            "",
        ):
            assert not pages.is_page(url)

    def test_the_made_up_messages_are_json(self):
        assert json.loads(event("x", {}))["object"] == "event"

"""Receipts: what was received, what it paid for, what is owed; made once."""

import datetime
from decimal import Decimal

import pytest

from billing import charges, credits, payments
from billing.receipts import NoReceiptForReturnedPaymentError, ask_for_receipt
from rentals.documents import operations as documents
from rentals.documents.models import Document
from tests.billing.factories import DAY, NOON

LATER = NOON + datetime.timedelta(days=1)


@pytest.fixture
def payment(agreement, bookkeeper):
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    return payments.record_payment(
        household=agreement.household,
        method="cheque",
        cheque_number="1042",
        amount=Decimal("30.00"),
        received_on=DAY,
        acting_user=bookkeeper,
        now=NOON,
    )


class TestAskForReceipt:
    def test_adds_up_to_the_payment(self, payment):
        page = ask_for_receipt(payment=payment, now=NOON).payload["page"]
        assert [line["amount"] for line in page["paid_for"]] == ["20.00", "1.65", "5.00"]
        assert (page["kept_on_account"], page["amount"], page["balance"]) == ("3.35", "30.00", "-3.35")
        assert page["method"] == "Check 1042"

    def test_says_what_was_credited(self, payment, agreement, bookkeeper):
        credits.write_credit_note(
            household=agreement.household, agreement=None, kind="adjustment", amount=Decimal("2.00"), reason="Sorry", on=DAY,
            acting_user=bookkeeper, now=NOON,
        )  # fmt: skip
        page = ask_for_receipt(payment=payment, now=NOON).payload["page"]
        assert (page["credited"], page["balance"]) == ("2.00", "-5.35")

    def test_asked_again_it_is_the_one_given_out(self, payment, agreement, bookkeeper):
        first = ask_for_receipt(payment=payment, now=NOON)
        charges.charge_period(agreement=agreement, period=1, acting_user=bookkeeper, now=LATER)
        assert ask_for_receipt(payment=payment, now=LATER).payload == first.payload
        assert documents.make_document(document_id=first.pk, now=LATER).state == Document.State.MADE

    def test_a_returned_payment_has_none(self, payment, bookkeeper):
        payments.return_payment(payment=payment, reason="Account closed", returned_on=DAY, acting_user=bookkeeper, now=LATER)
        payment.refresh_from_db()
        with pytest.raises(NoReceiptForReturnedPaymentError, match="came back from the bank"):
            ask_for_receipt(payment=payment, now=LATER)


class TestScreen:
    def test_the_button_leads_to_the_receipt(self, payment, client_as):
        client = client_as("specialist")
        assert "Receipt</button>" in client.get(f"/payments/{payment.pk}/").content.decode()
        answer = client.post(f"/payments/{payment.pk}/receipt/", follow=True)
        assert f"Receipt {payment.number}" in answer.content.decode()
        assert "The payment it belongs to" in answer.content.decode()

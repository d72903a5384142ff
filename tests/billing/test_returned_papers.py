"""The letter about a payment that came back: written with the return, once, in the family's language and by its channel."""

import datetime

import pytest
from django.urls import reverse

from billing import charges, payments, returned_papers, returns
from rentals.documents.models import Document, OutboxMessage
from tests.billing.factories import DAY, NOON, GuardianFactory
from tests.billing.test_payments import pay

LATER = DAY + datetime.timedelta(days=4)


@pytest.fixture
def check(agreement, bookkeeper):
    """A check that paid a month of rent, of a family with a mail address."""
    GuardianFactory(household=agreement.household, email="jo@example.com", is_primary=True)
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOON)
    return pay(agreement.household, "26.65", bookkeeper, method="cheque", cheque_number="1042")


@pytest.fixture
def bounce(bookkeeper):
    def bounced(payment, *, on=LATER):
        return returned_papers.return_and_tell(
            payment=payment, reason="Not sufficient funds", returned_on=on, acting_user=bookkeeper, now=NOON
        )

    return bounced


class TestReturnAndTell:
    def test_says_what_came_back_and_what_is_owed_again(self, check, agreement, bounce):
        bounce(check)
        message = OutboxMessage.objects.get(kind="returned_payment")
        assert (message.channel, message.to_address, message.subject) == ("mail", "jo@example.com", "Your check came back")
        assert "Your bank sent back your check 1042 of $26.65" in message.body
        page = Document.objects.get(pk=message.document_id).payload["page"]
        assert [(item["what"].split(",")[0], item["open_amount"]) for item in page["items"]] == [("Rent", "26.65")]
        assert (page["balance"], page["reason"]) == ("26.65", "Not sufficient funds")
        assert agreement.number in page["items"][0]["what"]

    def test_is_in_the_familys_language(self, check, agreement, bounce):
        agreement.household.language = "es"
        agreement.household.save()
        bounce(check)
        message = OutboxMessage.objects.get(kind="returned_payment")
        assert message.subject == "Su cheque fue devuelto"
        assert "Su banco devolvió su cheque 1042 de $26.65" in message.body
        document = Document.objects.get(pk=message.document_id)
        assert document.payload["page"]["items"][0]["what"].startswith("Alquiler, ")
        assert document.language == "es"

    def test_is_a_letter_where_no_mail_address_is_known(self, check, agreement, bounce):
        agreement.household.guardians.update(email="")
        bounce(check)
        assert OutboxMessage.objects.get(kind="returned_payment").channel == "letter"

    def test_is_written_once_a_return_and_anew_for_a_new_one(self, check, bounce, bookkeeper):
        bounce(check)
        with pytest.raises(payments.PaymentReturnedError):
            bounce(check)
        assert OutboxMessage.objects.filter(kind="returned_payment").count() == 1
        returns.undo_return(payment=check, reason="The wrong check", acting_user=bookkeeper, now=NOON)
        bounce(check)
        assert OutboxMessage.objects.filter(kind="returned_payment").count() == 2

    def test_says_nothing_of_a_return_that_could_not_be(self, check, bounce):
        with pytest.raises(payments.ReturnedBeforeReceivedError):
            bounce(check, on=check.received_on - datetime.timedelta(days=1))
        assert not OutboxMessage.objects.filter(kind="returned_payment").exists()

    def test_of_a_transfer_the_family_is_not_told(self, agreement, bookkeeper, bounce):
        bounce(pay(agreement.household, "5.00", bookkeeper, method="transfer"))
        assert not OutboxMessage.objects.exists()


class TestTheScreen:
    def test_writes_when_a_return_is_recorded(self, check, client_as):
        given = {"reason": "Insufficient funds", "returned_on": DAY.isoformat()}
        sent = client_as("bookkeeper").post(reverse("payment_return", args=[check.pk]), given)
        assert sent.status_code == 302, sent.content.decode()[:3000]
        assert OutboxMessage.objects.filter(kind="returned_payment").count() == 1

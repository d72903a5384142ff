"""Screens of card payments with the practice processor, and the address that takes a processor's messages."""

import json
import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import charges
from billing.cards import processors
from billing.cards.processors import practice
from billing.models import CardAttempt, CardEvent, CardPayout, CardRefund, Payment, PracticeCharge
from rentals.documents.models import Document, OutboxMessage
from rentals.runtime import clock
from tests.billing.factories import NOON, AgreementFactory, GuardianFactory

D = Decimal
pytestmark = pytest.mark.django_db


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


@pytest.fixture
def counter(client_as):
    """A specialist before a family that owes 26.65."""
    client = client_as("specialist")
    agreement = AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=client.user, now=NOON)
    client.family = agreement.household
    GuardianFactory(household=client.family, is_primary=True, email="jo@example.com")
    return client


def start(counter, amount="26.65", key=None):
    form = {"amount": amount, "method": "card", "request_key": key or uuid.uuid4()}
    return counter.post(reverse("payment_take", args=[counter.family.pk]), form)


def press(counter, button):
    page = reverse("practice_page", args=[PracticeCharge.objects.latest("pk").key])
    return counter.post(page, {"press": button})


class TestCounter:
    def test_offers_what_is_due_and_says_it_is_practice(self, counter):
        page = counter.get(reverse("payment_take", args=[counter.family.pk]) + "?method=card")
        assert 'value="26.65"' in page.content.decode()
        assert re.search(r'name="method" value="card"[^>]* checked', page.content.decode())
        assert "Practice: no money moves" in text(page)
        assert "Never write a card number here" in text(page)

    def test_lists_there_what_it_pays_by_date_alone(self, counter):
        page = counter.get(start(counter, "30.00")["Location"])
        assert "$30.00 Due Jan 31, 2026 $26.65 Kept on account $3.35" in text(page)
        assert CardAttempt.objects.get().lines == [["Due Jan 31, 2026", "26.65"], ["Kept on account", "3.35"]]

    def test_is_one_of_the_ways_of_one_form(self, counter):
        page = counter.get(reverse("payment_take", args=[counter.family.pk])).content.decode()
        assert re.findall(r'name="method" value="(\w+)"', page) == ["cash", "cheque", "card"]

    def test_has_a_receipt(self, counter):
        start(counter)
        press(counter, "pay")
        made = counter.post(reverse("payment_receipt", args=[Payment.objects.get().pk]))
        assert (made.status_code, Document.objects.filter(kind="receipt").count()) == (302, 1)

    def test_goes_there_and_back(self, counter):
        answer = start(counter)
        assert answer["Location"].startswith("/practice-card/")
        page = counter.get(answer["Location"])
        assert "Practice: no money moves" in text(page)
        assert "$26.65" in text(page)
        back = press(counter, "pay")
        attempt = CardAttempt.objects.get()
        assert back["Location"] == f"http://testserver/cards/{attempt.key}/"
        assert (attempt.state, Payment.objects.get().amount) == ("succeeded", D("26.65"))
        assert OutboxMessage.objects.filter(kind="receipt").count() == 1
        assert "Paid" in text(counter.get(back["Location"]))

    def test_a_declined_card_may_try_again(self, counter):
        start(counter)
        assert "Declined 1 time" in text(counter.get(press(counter, "decline")["Location"]))
        press(counter, "pay")
        assert CardAttempt.objects.get().state == "succeeded"

    def test_without_a_message_it_is_asked_for(self, counter):
        start(counter)
        back = press(counter, "silent")["Location"]
        assert "Nothing is paid yet" in text(counter.get(back))
        assert counter.post(f"{back}ask/", headers={"HX-Request": "true"})["HX-Refresh"] == "true"
        assert "Paid" in text(counter.get(back))
        assert Payment.objects.count() == 1

    def test_sent_twice_is_one_page(self, counter):
        key = uuid.uuid4()
        assert start(counter, key=key)["Location"] == start(counter, key=key)["Location"]
        assert CardAttempt.objects.count() == 1

    def test_another_waits_until_the_first_has_an_end(self, counter):
        start(counter)
        assert start(counter).status_code == 422
        page = counter.get(reverse("payment_take", args=[counter.family.pk]))
        assert ("$26.65 by card is under way" in text(page), 'value="card"' in page.content.decode()) == (True, False)
        closed = counter.post(reverse("card_close", args=[CardAttempt.objects.get().key]), follow=True)
        assert "Not used" in text(closed)
        assert start(counter).status_code == 302

    @pytest.mark.parametrize("amount", ["0", "-5", "", "ten"])
    def test_refuses_what_is_no_amount(self, counter, amount):
        assert (start(counter, amount).status_code, CardAttempt.objects.count()) == (422, 0)

    def test_is_not_there_where_no_cards_are_taken(self, counter, settings):
        settings.CARD_PROCESSOR = ""
        page = counter.get(reverse("payment_take", args=[counter.family.pk])).content.decode()
        assert ('value="cash"' in page, 'value="card"' in page, "card number" in page) == (True, False, False)
        answer = start(counter)
        assert (answer.status_code, "This way is not open here" in text(answer)) == (422, True)


class TestPracticeOnlyForPractice:
    def test_is_served_nowhere_else(self, counter, settings):
        start(counter)
        page = reverse("practice_page", args=[PracticeCharge.objects.get().key])
        settings.CARD_PRACTICE = False
        processors.by_code.cache_clear()
        try:
            assert counter.get(page).status_code == 404
            assert counter.post(page, {"press": "pay"}).status_code == 404
            assert counter.post("/cards/events/practice/", b"{}", content_type="application/json").status_code == 404
        finally:
            processors.by_code.cache_clear()
        assert Payment.objects.count() == 0


class TestMessages:
    def send(self, client, told, *, at=None, signature=None):
        body, at = json.dumps(told).encode(), at or int(clock.now().timestamp())
        signed = signature if signature is not None else f"t={at},v1={practice.sign(body, at)}"
        return client.post(
            "/cards/events/practice/", body, content_type="application/json", headers={"Practice-Signature": signed}
        )

    def told(self, counter, name="evt_1"):
        attempt = CardAttempt.objects.get()
        told = {"event_id": name, "kind": "paid", "happened_at": clock.now().isoformat(), "attempt_key": str(attempt.key)}
        return told | {"session": attempt.session, "charge": f"charge-{attempt.key}", "amount": "26.65", "note": ""}

    def test_a_stranger_with_the_signature_confirms_once(self, counter, client):
        start(counter)
        for _ in range(3):
            assert self.send(client, self.told(counter)).status_code == 200
        assert (Payment.objects.count(), CardEvent.objects.count()) == (1, 1)

    @pytest.mark.parametrize("signature", ["", "t=1,v1=00", "nonsense"])
    def test_nobody_without_it(self, counter, client, signature):
        start(counter)
        assert self.send(client, self.told(counter), signature=signature).status_code == 400
        assert (Payment.objects.count(), CardEvent.objects.count()) == (0, 0)

    def test_not_what_is_over_five_minutes_old(self, counter, client):
        start(counter)
        old = int(clock.now().timestamp()) - 301
        assert self.send(client, self.told(counter), at=old).status_code == 400

    def test_not_what_is_too_large_or_a_get(self, client):
        assert client.post("/cards/events/practice/", b"x" * 300_000, content_type="application/json").status_code == 413
        assert client.get("/cards/events/practice/").status_code == 405
        assert client.post("/cards/events/unheard/", b"{}", content_type="application/json").status_code == 404


class TestBooks:
    @pytest.fixture
    def books(self, counter, client_as):
        start(counter)
        press(counter, "pay")
        return client_as("bookkeeper")

    def test_lists_attempts(self, books, counter, django_assert_max_num_queries):
        with django_assert_max_num_queries(12):
            assert "All done" in text(books.get(reverse("card_attempts")))
        assert counter.family.name in text(books.get(reverse("card_attempts") + "?show=paid"))
        assert counter.get(reverse("card_attempts")).status_code == 403

    def test_pays_back_to_the_card(self, books, counter):
        attempt = CardAttempt.objects.get()
        Payment.objects.get()
        url = reverse("card_refund", args=[attempt.key])
        form = {"amount": "5", "reason": "Late delivery", "request_key": uuid.uuid4()}
        assert counter.get(url).status_code == 403
        refused = books.post(url, form | {"amount": "100"})
        assert (refused.status_code, "At most $26.65" in text(refused)) == (422, True)
        assert books.post(url, form).status_code == 422  # everything paid for rent: nothing is on account
        form["request_key"] = uuid.uuid4()
        start(counter, "10.00")
        press(counter, "pay")
        url = reverse("card_refund", args=[CardAttempt.objects.latest("pk").key])
        page = books.post(url, form, follow=True)
        assert "$5.00 goes back to the card" in text(page)
        assert CardRefund.objects.get().state == "done"

    def test_reads_payouts(self, books):
        assert "Nothing new" in text(books.post(reverse("card_payouts_read"), follow=True))
        PracticeCharge.objects.update(paid_at=clock.now() - practice.ARRIVES_AFTER)
        page = books.post(reverse("card_payouts_read"), follow=True)
        assert "1 payouts booked, 0 do not add up" in text(page)
        payout = CardPayout.objects.get()
        assert (payout.amount, payout.fee) == (D("25.58"), D("1.07"))
        assert Payment.objects.get().number in text(books.get(reverse("card_payout", args=[payout.pk])))

    def test_shows_one_that_does_not_add_up(self, books):
        PracticeCharge.objects.create(
            key=uuid.uuid4(),
            amount=D(5),
            state="paid",
            return_url="/",
            made_at=NOON,
            paid_at=clock.now() - practice.ARRIVES_AFTER,
        )
        page = books.post(reverse("card_payouts_read"), follow=True)
        assert "1 payout does not add up" in text(page)
        assert "It does not add up, so nothing is posted" in text(
            books.get(reverse("card_payout", args=[CardPayout.objects.get().pk]))
        )

    def test_marks_what_was_looked_at(self, books):
        CardAttempt.objects.update(look_why="The money came late.")
        attempt = CardAttempt.objects.get()
        assert "The money came late." in text(books.get(reverse("card_attempts")))
        books.post(reverse("card_seen", args=[attempt.key]))
        assert "All done" in text(books.get(reverse("card_attempts")))

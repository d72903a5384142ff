"""The address that takes the processor's messages, as they come over the wire: signed bytes, young, each once.

Signature scheme and tolerance: docs.stripe.com/webhooks#verify-manually. OWASP ASVS 5.0, V4.1: nothing unsigned counts.
"""

import itertools
import json
import random
import time

import pytest

from billing.cards import attempts
from billing.models import CardAttempt, CardEvent, Payment, PaymentReturn
from rentals.documents.models import OutboxMessage
from tests.billing.cards.stripe_server import event, signature
from tests.billing.cards.test_attempts import story
from tests.billing.factories import NOON

pytestmark = pytest.mark.django_db
URL = "/cards/events/stripe/"


def post(client, body, signed=None, **headers):
    signed = signature(body) if signed is None else signed
    return client.post(URL, body, content_type="application/json", headers={"Stripe-Signature": signed, **headers})


@pytest.fixture
def attempt(cards, begin):
    return attempts.open_page(attempt=begin(), now=NOON)


@pytest.fixture
def paid(server, attempt):
    """What the processor sends when the family has paid."""
    return event("checkout.session.completed", server.pay(attempt.session))


def nothing_happened(attempt):
    attempt.refresh_from_db()
    return (attempt.state, Payment.objects.count(), CardEvent.objects.count()) == ("started", 0, 0)


class TestTheRawBody:
    def test_is_what_is_signed(self, client, attempt, paid):
        """The same message with other blanks is other bytes: refused, though it means the same."""
        respelt = json.dumps(json.loads(paid), indent=1).encode()
        assert json.loads(respelt) == json.loads(paid)
        assert post(client, respelt, signature(paid)).status_code == 400
        assert nothing_happened(attempt)
        assert post(client, paid).status_code == 200

    def test_no_byte_of_it_can_be_changed(self, client, attempt, paid):
        chance = random.Random(1)
        for _ in range(40):
            changed = bytearray(paid)
            changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
            assert post(client, bytes(changed), signature(paid)).status_code == 400
        assert nothing_happened(attempt)

    def test_under_another_secret_or_scheme(self, client, attempt, paid):
        signed = signature(paid)
        for wrong in ("", signature(paid, secret="whsec_other"), signed.replace("v1=", "v0="), signed.split(",")[0]):
            assert post(client, paid, wrong).status_code == 400
        assert nothing_happened(attempt)

    def test_the_time_is_signed_too(self, client, attempt, paid):
        """An old message is not made young by writing another time beside its signature."""
        old = signature(paid, at=time.time() - 900)
        young = f"t={int(time.time())},{old.split(',')[1]}"
        assert post(client, paid, old).status_code == 400
        assert post(client, paid, young).status_code == 400
        assert nothing_happened(attempt)


class TestAge:
    @pytest.mark.parametrize(("seconds", "status"), [(0, 200), (280, 200), (302, 400), (86_400, 400)])
    def test_five_minutes(self, client, attempt, paid, seconds, status):
        assert post(client, paid, signature(paid, at=time.time() - seconds)).status_code == status
        assert nothing_happened(attempt) == (status == 400)


class TestAgain:
    def test_the_same_message_counts_once(self, client, attempt, paid):
        assert [post(client, paid).status_code for _ in range(3)] == [200, 200, 200]
        assert (CardEvent.objects.count(), Payment.objects.count()) == (1, 1)
        assert OutboxMessage.objects.filter(kind="receipt").count() == 1

    def test_its_id_with_another_content_changes_nothing(self, client, server, attempt):
        """Signed, but an id that was heard: the first content stays."""
        first = event("checkout.session.expired", dict(server.sessions[attempt.session]), name="evt_same")
        second = event("checkout.session.completed", server.pay(attempt.session), name="evt_same")
        assert (post(client, first).status_code, post(client, second).status_code) == (200, 200)
        assert [each.kind for each in CardEvent.objects.all()] == ["expired"]
        assert Payment.objects.count() == 0

    @pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
    def test_four_messages_in_any_order_each_up_to_three_times(self, client, server, attempt, order):
        """T17 over the wire: all 24 orders end the same."""
        chance = random.Random(str(order))
        told = story(server, attempt)
        sent = [told[place] for place in order for _ in range(chance.randint(1, 3))]
        chance.shuffle(late := [chance.choice(told) for _ in range(2)])
        assert {post(client, body).status_code for body in [*sent, *late]} == {200}
        after = CardAttempt.objects.get()
        assert (after.state, after.charge, after.look_why) == ("succeeded", f"pi_{attempt.pk}", "")
        assert (Payment.objects.count(), PaymentReturn.objects.count(), CardEvent.objects.count()) == (1, 1, 4)
        assert OutboxMessage.objects.filter(kind="receipt").count() == 1


class TestWhatIsNoMessage:
    def test_is_refused_before_it_is_read(self, client, attempt, paid):
        assert post(client, b"x" * 300_000).status_code == 413
        assert client.get(URL).status_code == 405
        assert post(client, b"[]").status_code == 400
        assert nothing_happened(attempt)

    def test_is_not_spoken_of(self, client, attempt, paid, caplog):
        """A refusal gives nothing away, and no part of a body is logged."""
        answer = post(client, paid, "t=1,v1=00")
        assert answer.content == b"not signed"
        assert attempt.session not in caplog.text

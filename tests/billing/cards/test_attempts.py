"""A card payment from its first click to its end, by the real library before a server of our own: once, whatever happens.

The event types and shapes are those of the published API (docs.stripe.com/api/events/types, docs.stripe.com/webhooks).
"""

import contextlib
import datetime
import itertools
import json
import random
from decimal import Decimal
from uuid import uuid4

import pytest

from billing import charges, payments, queries, verify
from billing.cards import attempts, events, processors, rules
from billing.cards.ports import Outcome, PageAsked, Told
from billing.models import CardAttempt, CardEvent, Payment, PaymentReturn
from rentals.documents.models import OutboxMessage
from tests.billing.cards.stripe_server import event, signature
from tests.billing.cards.test_attempt_rules import ForgetfulProcessor
from tests.billing.factories import NOON, HouseholdFactory

D = Decimal
pytestmark = pytest.mark.django_db


def state(attempt):
    attempt.refresh_from_db()
    return attempt.state


def take(cards, body, now=NOON):
    return events.take_event(processor="stripe", told=cards.read_event(body, signature(body)), now=now)


class TestBegin:
    def test_goes_to_the_processors_page_once(self, cards, server, begin):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        assert attempt.page_url == f"{server.base}/c/pay/{attempt.session}"
        assert (attempt.state, Payment.objects.count(), len(server.sessions)) == ("started", 0, 1)

    def test_the_same_key_is_the_same_attempt(self, cards, server, begin):
        key = uuid4()
        first = attempts.open_page(attempt=begin(key=key), now=NOON)
        again = begin(key=key)
        assert (again.pk, again.page_url) == (first.pk, first.page_url)

    def test_one_at_a_time_for_a_family(self, cards, begin):
        begin()
        with pytest.raises(attempts.AttemptOpenError, match="still under way"):
            begin()
        assert begin(household=HouseholdFactory()).pk

    def test_sends_only_key_amount_and_account(self, cards, server, begin, family):
        attempt = attempts.open_page(attempt=begin("26.65"), now=NOON)
        _method, _path, form, key = server.asked[-1]
        assert key == f"page-{attempt.key}"
        assert form["line_items[0][price_data][unit_amount]"] == "2665"
        assert form["line_items[0][price_data][product_data][name]"] == "Kept on account"
        assert form["payment_intent_data[description]"] == f"Account {family.number}"
        assert not any("card" in name and name != "payment_method_types[0]" for name in form)

    def test_sends_what_is_paid_by_date(self, cards, server, begin, agreement, clerk):
        """26.65 due January 31 and 3.35 more: two items of the page that come to 30.00; nothing of who or what it is for."""
        charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
        attempts.open_page(attempt=begin("30.00", household=agreement.household), now=NOON)
        form = server.asked[-1][2]
        items = [
            (form[f"line_items[{n}][price_data][product_data][name]"], form[f"line_items[{n}][price_data][unit_amount]"])
            for n in (0, 1)
        ]
        assert items == [("Due Jan 31, 2026", "2665"), ("Kept on account", "335")]
        assert "line_items[2][quantity]" not in form

    def test_a_refusal_ends_it_in_words(self, cards, server, begin, monkeypatch):
        monkeypatch.setattr(
            server, "act", lambda *_: (400, {"error": {"type": "invalid_request_error", "code": "amount_too_small"}})
        )
        attempt = begin()
        with pytest.raises(attempts.PageRefusedError, match="amount_too_small"):
            attempts.open_page(attempt=attempt, now=NOON)
        assert state(attempt) == "failed"

    def test_nobody_is_sent_to_another_address(self, cards, server, begin):
        server.base = "https://evil.example"
        with pytest.raises(attempts.PageRefusedError, match="Nobody was sent there"):
            attempts.open_page(attempt=begin(), now=NOON)


class TestAsk:
    def test_paid_is_one_payment_and_one_receipt(self, cards, server, begin, family):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        server.pay(attempt.session)
        for _ in range(3):
            attempts.ask(attempt=attempt, now=NOON)
        payment = Payment.objects.get()
        assert (payment.method, payment.amount, payment.household) == ("card", D(30), family)
        assert OutboxMessage.objects.filter(kind="receipt").count() == 1
        assert state(attempt) == "succeeded"

    def test_not_used_ends_too(self, cards, server, begin):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        attempts.close(attempt=attempt, now=NOON)
        assert (state(attempt), Payment.objects.count()) == ("expired", 0)
        assert begin().pk

    def test_a_paid_page_cannot_be_closed(self, cards, server, begin):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        server.pay(attempt.session)
        assert attempts.close(attempt=attempt, now=NOON).state == "succeeded"

    @pytest.mark.parametrize("mood", ["hang", "broken"])
    def test_no_clear_answer_is_unknown_and_is_found_without_a_new_charge(self, cards, server, begin, mood):
        """The page was made, the answer lost: it is looked for by its key, never asked for anew (B1)."""
        attempt = begin(now=datetime.datetime.now(datetime.UTC))
        server.mood = mood
        attempts.open_page(attempt=attempt, now=NOON)
        assert state(attempt) == "unknown"
        with pytest.raises(attempts.AttemptOpenError):
            begin()
        server.mood = ""
        [name] = server.sessions
        server.pay(name)
        assert attempts.ask(attempt=attempt, now=NOON).state == "succeeded"
        assert (len(server.sessions), Payment.objects.count()) == (1, 1)

    def test_what_the_processor_never_heard_of_ends_unused(self, cards, server, begin):
        attempt = begin()
        assert attempts.ask(attempt=attempt, now=NOON).state == "started"
        later = NOON + rules.GIVEN_UP + datetime.timedelta(minutes=1)
        assert attempts.ask(attempt=attempt, now=later).state == "expired"

    def test_late_money_goes_on_the_account_and_is_looked_at(self, cards, server, begin, family, clerk):
        """B5: the page had expired, the family paid cash, then the money comes after all."""
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        attempts.settle(attempt=attempt, outcome=Outcome(Told.EXPIRED), now=NOON)
        payments.record_payment(
            household=family, method="cash", amount=D(30), received_on=NOON.date(), acting_user=clerk, now=NOON
        )
        take(cards, event("checkout.session.completed", server.pay(attempt.session)))
        attempt.refresh_from_db()
        assert (attempt.state, queries.sum_balance(family.pk)) == ("succeeded", D(-60))
        assert "came after this attempt had ended" in attempt.look_why
        attempts.mark_seen(attempt=attempt, acting_user=clerk, now=NOON)

    def test_another_amount_is_not_taken_in(self, cards, begin):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        attempts.settle(attempt=attempt, outcome=Outcome(Told.PAID, charge="pi_1", amount=D(3)), now=NOON)
        attempt.refresh_from_db()
        assert (attempt.payment, attempt.look_why) == (None, "The processor took $3.00 instead of $30.00.")


class TestSweep:
    def test_asks_until_every_attempt_has_an_end(self, cards, server, begin):
        """B7: some were paid, some left, some lost, no message ever came."""
        families = [HouseholdFactory() for _ in range(6)]
        opened = [attempts.open_page(attempt=begin(household=each), now=NOON) for each in families]
        for attempt in opened[:3]:
            server.pay(attempt.session)
        for attempt in opened[3:]:
            server.sessions[attempt.session] |= {"status": "expired", "url": None}
        assert attempts.sweep(now=NOON) == 0
        assert attempts.sweep(now=NOON + datetime.timedelta(minutes=2)) == 6
        assert not CardAttempt.objects.filter(state__in=CardAttempt.OPEN).exists()
        assert Payment.objects.count() == 3

    def test_a_silent_processor_is_asked_again(self, cards, server, begin):
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        server.mood = "broken"
        assert attempts.sweep(now=NOON + datetime.timedelta(minutes=2)) == 0
        assert state(attempt) == "unknown"
        server.mood = ""
        server.pay(attempt.session)
        assert attempts.sweep(now=NOON + datetime.timedelta(minutes=4)) == 1


def story(server, attempt):
    """Four messages of one payment: a card declined, then paid, then disputed; and one that means nothing here."""
    server.sessions[attempt.session] |= {"payment_intent": f"pi_{attempt.pk}", "status": "complete", "payment_status": "paid"}
    session = json.loads(json.dumps(server.sessions[attempt.session]))
    intent = {"id": f"pi_{attempt.pk}", "object": "payment_intent", "metadata": {"attempt": str(attempt.key)}}
    intent["last_payment_error"] = {"code": "card_declined", "decline_code": "insufficient_funds"}
    dispute = {"id": "dp_1", "object": "dispute", "payment_intent": f"pi_{attempt.pk}", "amount": 3000, "reason": "fraudulent"}
    return [
        event("payment_intent.payment_failed", intent, name=f"evt_{attempt.pk}_1", at=1_773_160_001),
        event("checkout.session.completed", session, name=f"evt_{attempt.pk}_2", at=1_773_160_002),
        event("charge.dispute.funds_withdrawn", dispute, name=f"evt_{attempt.pk}_3", at=1_773_160_003),
        event("charge.succeeded", {"id": "ch_1", "object": "charge"}, name=f"evt_{attempt.pk}_4", at=1_773_160_002),
    ]


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
class TestAnyOrder:
    def test_ends_the_same(self, cards, server, begin, order):
        """T17: all 24 orders, each message one to three times, some before our own answer."""
        chance = random.Random(str(order))
        attempt = begin()
        page = cards.start(page_asked(attempt))
        CardAttempt.objects.filter(pk=attempt.pk).update(session="")
        attempt.session = page.session
        told = story(server, attempt)
        line = [told[place] for place in order for _ in range(chance.randint(1, 3))]
        answered_after = chance.randint(0, len(line))
        for place, body in enumerate(line):
            if place == answered_after:
                attempts._keep_page(attempt, page.session, page.url)
            take(cards, body)
        if answered_after == len(line):
            attempts._keep_page(attempt, page.session, page.url)
        attempts.ask(attempt=CardAttempt.objects.get(pk=attempt.pk), now=NOON)
        after = CardAttempt.objects.get(pk=attempt.pk)
        assert (after.state, after.session, after.charge, after.look_why) == ("succeeded", page.session, f"pi_{attempt.pk}", "")
        payment = Payment.objects.get()
        assert PaymentReturn.objects.get().payment == payment
        assert OutboxMessage.objects.filter(kind="receipt").count() == 1
        assert (CardEvent.objects.count(), queries.sum_balance(payment.household_id)) == (4, D(0))
        assert [found for _, found in verify.run_checks() if found] == []


def page_asked(attempt):
    return PageAsked(attempt.key, attempt.amount, "USD", "Account", attempt.return_url, attempt.started_at + rules.PAGE_LIFE)


def presses(chance, processor, begin, household):
    """A family that wants to pay once presses eight times, whatever it is told, while the sweep runs now and then."""
    now, wants = NOON, True
    for _ in range(8):
        now += datetime.timedelta(minutes=chance.choice([1, 2, 30]))
        if wants:
            with contextlib.suppress(attempts.AttemptOpenError):
                attempts.open_page(attempt=begin(household=household, now=now), now=now)
        if chance.random() < 0.7:
            attempts.sweep(now=now)
        wants = not Payment.objects.filter(household=household).exists()
    for _ in range(40):
        now += datetime.timedelta(minutes=30)
        attempts.sweep(now=now)


@pytest.mark.parametrize("seed", range(20))
def test_never_charged_twice_with_the_real_operations(cards, begin, monkeypatch, seed):
    """T18, a subset by the real operations; the thousand runs stand in test_attempt_rules."""
    chance = random.Random(seed)
    processor, household = ForgetfulProcessor(chance), HouseholdFactory()
    monkeypatch.setattr(processors, "by_code", lambda code: processor)
    presses(chance, processor, begin, household)
    assert sum(processor.charged.values()) <= 1
    assert Payment.objects.filter(household=household).count() == sum(processor.charged.values())
    assert not CardAttempt.objects.filter(state__in=CardAttempt.OPEN).exists()

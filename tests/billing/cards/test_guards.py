"""What the database refuses of card payments, in raw SQL; races of those who confirm; and that nothing here is a card's."""

import inspect
import re
import uuid
from decimal import Decimal
from pathlib import Path

import psycopg
import pytest
from django import forms as django_forms
from django.apps import apps
from django.conf import settings

from billing import payments, verify
from billing.cards import attempts, events, ports, refunds
from billing.cards.ports import Outcome, Told
from billing.models import CardAttempt, CardEvent, Payment
from rentals.documents.models import OutboxMessage
from rentals.runtime.forms import OfficeForm, OfficeModelForm
from tests.billing.cards.stripe_server import event, signature
from tests.billing.factories import DAY, NOON, HouseholdFactory

D = Decimal


def refused(cursor, statement, name):
    with pytest.raises(psycopg.Error) as error:
        cursor.execute(statement)
    assert name in (error.value.diag.constraint_name or "") + str(error.value)


@pytest.fixture
def paid(transactional_db, cards, server, begin):
    """A paid attempt."""
    attempt = attempts.open_page(attempt=begin(), now=NOON)
    server.pay(attempt.session)
    return attempts.ask(attempt=attempt, now=NOON)


@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
class TestKept:
    @pytest.mark.parametrize(
        ("change", "name"),
        [
            ("amount = 1", "kept"),
            ("key = gen_random_uuid()", "kept"),
            ("state = 'expired', payment_id = NULL", "kept"),
            ("payment_id = NULL", "kept"),
            ("session = 'cs_other'", "kept"),
            ("state = 'started'", "kept"),
        ],
    )
    def test_an_attempt_stays_what_it_was(self, request, paid, role, change, name):
        refused(request.getfixturevalue(role), f"UPDATE billing_cardattempt SET {change}", name)

    @pytest.mark.parametrize("table", ["cardattempt", "cardevent", "cardrefund", "cardpayout", "cardtakenback"])
    def test_nothing_is_removed(self, request, paid, role, table):
        with pytest.raises(psycopg.Error, match=r"kept|permission denied"):
            request.getfixturevalue(role).execute(f"DELETE FROM billing_{table}")


class TestRefused:
    def test_two_under_way_for_one_family(self, app_cursor, paid):
        copy = (
            "INSERT INTO billing_cardattempt (key, processor, household_id, amount, state, session, charge, page_url, "
            "return_url, note, started_at, started_by_id, look_why) SELECT gen_random_uuid(), processor, household_id, amount, "
            "'unknown', '', '', '', '', '', started_at, started_by_id, '' FROM billing_cardattempt LIMIT 1"
        )
        app_cursor.execute(copy)
        refused(app_cursor, copy, "card_attempt_one_at_a_time")

    def test_a_payment_of_another_sum_or_way(self, app_cursor, paid, begin, clerk):
        other = begin("12.00")
        end = f"UPDATE billing_cardattempt SET state = 'succeeded', ended_at = now(), payment_id = %s WHERE id = {other.pk}"
        card = payments.record_payment(
            household=other.household, method="card", amount=D(11), received_on=DAY, acting_user=clerk, now=NOON
        )
        refused(app_cursor, end.replace("%s", str(card.pk)), "card_attempt_payment_fits")
        cash = payments.record_payment(
            household=other.household, method="cash", amount=D(12), received_on=DAY, acting_user=clerk, now=NOON
        )
        refused(app_cursor, end.replace("%s", str(cash.pk)), "card_attempt_payment_fits")
        refused(app_cursor, end.replace("%s", "NULL"), "card_attempt_paid_has_payment")

    def test_an_event_twice(self, app_cursor, paid):
        body = event("charge.succeeded", {"id": "ch_1"})
        insert = (
            "INSERT INTO billing_cardevent (processor, event_id, kind, session, charge, reference, note, happened_at, "
            "received_at) VALUES ('stripe', 'evt_1', 'other', '', '', '', '', now(), now())"
        )
        app_cursor.execute(insert)
        refused(app_cursor, insert, "card_event_once")
        assert body

    def test_more_back_than_was_paid(self, app_cursor, paid, clerk):
        given = refunds.CardRefundGiven(D(20), "Twice")
        refunds.ask_for_refund(attempt=paid, given=given, key=uuid.uuid4(), acting_user=clerk, now=NOON)
        refused(
            app_cursor,
            "INSERT INTO billing_cardrefund (key, attempt_id, refund_id, amount, state, reference, note, asked_at, asked_by_id) "
            "SELECT gen_random_uuid(), attempt_id, refund_id, 20, 'asked', '', '', now(), asked_by_id FROM billing_cardrefund",
            "card_refund_within_payment",
        )

    def test_a_payout_that_is_not_its_deposit(self, app_cursor, paid):
        refused(
            app_cursor,
            "INSERT INTO billing_cardpayout (processor, reference, arrives_on, amount, fee, lines, difference, problem, read_at, "
            "deposit_id) VALUES ('stripe', 'po_1', '2026-03-12', 29, 1, '[]', 0, '', now(), 12345)",
            "card_payout_is_its_deposit",
        )


@pytest.mark.django_db(transaction=True)
class TestRaces:
    def test_return_page_message_and_sweep_confirm_once(self, race, cards, server, begin):
        """B6: one payment, one receipt, though five confirm at the same moment."""
        attempt = attempts.open_page(attempt=begin(), now=NOON)
        body = event("checkout.session.completed", server.pay(attempt.session))
        told = cards.read_event(body, signature(body))
        outcomes = race(
            *[lambda: attempts.ask(attempt=attempt, now=NOON) for _ in range(3)],
            *[lambda: events.take_event(processor="stripe", told=told, now=NOON) for _ in range(2)],
        )
        assert not [each for each in outcomes if isinstance(each, Exception)]
        assert (Payment.objects.count(), OutboxMessage.objects.filter(kind="receipt").count(), CardEvent.objects.count()) == (
            1,
            1,
            1,
        )
        assert [found for _, found in verify.run_checks() if found] == []

    def test_two_presses_start_one(self, race, cards, begin):
        outcomes = race(begin, begin)
        assert sorted(type(each).__name__ for each in outcomes) == ["AttemptOpenError", "CardAttempt"]
        assert CardAttempt.objects.count() == 1

    def test_two_refunds_of_all_pay_back_once(self, race, cards, server, begin, clerk):
        attempt = attempts.open_page(attempt=begin(household=HouseholdFactory()), now=NOON)
        server.pay(attempt.session)
        attempts.ask(attempt=attempt, now=NOON)

        def pay_back():
            given = refunds.CardRefundGiven(D(30), "Twice")
            return refunds.ask_for_refund(attempt=attempt, given=given, key=uuid.uuid4(), acting_user=clerk, now=NOON)

        outcomes = race(pay_back, pay_back)
        assert sorted(type(each).__name__ for each in outcomes) == ["CardRefund", "NotPaidByCardError"]


OF_A_CARD = re.compile(
    r"(?<![a-z])(pan|cvv2?|cvc2?|cid)(?![a-z])|card_?(number|no|holder|digits)|security_?code|expir(y|es?)_?(month|year)|exp_?(month|year)",
    re.IGNORECASE,
)


def names_of_models():
    return [f"{model._meta.label}.{field.name}" for model in apps.get_models() for field in model._meta.get_fields()]


def every_form(base):
    for form in base.__subclasses__():
        yield form
        yield from every_form(form)


def names_of_forms():
    bases = (OfficeForm, OfficeModelForm, django_forms.Form)
    return [f"{form.__name__}.{name}" for base in bases for form in every_form(base) for name in getattr(form, "base_fields", {})]


class TestNoCardNumberEverComesHere:
    """PCI DSS SAQ A: account data is outsourced in whole, nothing of it stored, processed or sent (from summaries of SAQ A)."""

    def test_no_model_and_no_form_has_a_place_for_one(self):
        assert names_of_models()
        assert names_of_forms()
        assert [name for name in names_of_models() + names_of_forms() if OF_A_CARD.search(name.rpartition(".")[2])] == []

    def test_no_template_asks_for_one(self):
        for file in (Path(settings.BASE_DIR) / "templates").rglob("*.html"):
            found = re.findall(r'name="([^"]*)"|autocomplete="(cc-[^"]*)"', file.read_text(encoding="utf-8"))
            assert [pair for pair in found if pair[1] or OF_A_CARD.search(pair[0])] == [], file

    def test_the_port_has_no_word_for_one(self):
        assert not OF_A_CARD.search(inspect.getsource(ports))

    @pytest.mark.parametrize(
        "name", ["card_number", "cvv", "cvc", "pan", "exp_month", "expiry_year", "cardholder", "security_code"]
    )
    def test_the_search_finds_one(self, name):
        assert OF_A_CARD.search(name)

    @pytest.mark.parametrize("name", ["cheque_number", "company", "expires_at", "card_attempt", "expected_cash"])
    def test_the_search_lets_others_be(self, name):
        assert not OF_A_CARD.search(name)

    def test_no_address_of_theirs_is_in_our_pages(self):
        """Payment page elements come from the processor's own page: no script and no frame of theirs stands in ours."""
        directives = settings.CONTENT_SECURITY_POLICY["DIRECTIVES"]
        assert directives["default-src"] == ["'self'"]
        assert not {"script-src", "frame-src", "connect-src"} & set(directives)


def test_outcome_of_an_attempt_by_its_states(paid):
    assert attempts.settle(attempt=paid, outcome=Outcome(Told.SILENT), now=NOON).state == "succeeded"

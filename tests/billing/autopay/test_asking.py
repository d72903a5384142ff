"""A bank debit chosen on the payment page: told today, debited on its day, of whole charges only."""

import datetime
import re
from decimal import Decimal
from uuid import uuid4

import pytest
from django.urls import reverse

from billing import charges, payments, verify
from billing.autopay import asking, authorising
from billing.collecting import arrangements
from billing.collecting.arrangements import Promised
from billing.models import AutopayNotice, Payment
from rentals.documents.models import Document, OutboxMessage
from rentals.runtime import clock
from tests.billing.autopay.conftest import NOW, TODAY, authorised
from tests.billing.autopay.test_running import let_out, prepare
from tests.billing.autopay.test_screens import text
from tests.billing.factories import AgreementFactory
from tests.factories import BookkeeperFactory

D = Decimal
DEBITED = datetime.date(2026, 3, 23)


def ask(authorisation, amount="26.65", **changes):
    given = {"household": authorisation.household, "amount": D(amount), "acting_user": BookkeeperFactory()}
    return asking.ask_for_debit(**given | {"now": NOW, "today": TODAY} | changes)


class TestAsk:
    @pytest.mark.parametrize(("amount", "lines"), [("26.65", 1), ("53.30", 2)])
    def test_tells_the_oldest_lines_that_come_to_the_amount(self, authorisation, amount, lines):
        """26.65 is due since January 31, and the month that begins on February 28 comes to the same."""
        notice = ask(authorisation, amount)
        assert (notice.amount, notice.debit_on, notice.given_on) == (D(amount), DEBITED, TODAY)
        assert OutboxMessage.objects.get(pk=notice.message_id).body.count("$26.65") >= lines

    def test_the_run_takes_it_on_its_day_and_a_receipt_can_be_made(self, authorisation, client_as):
        ask(authorisation)
        day = datetime.date(2026, 3, 20)
        run = let_out(prepare(wanted_on=DEBITED, today=day), today=day)
        assert (run.total, run.effective_on) == (D("26.65"), DEBITED)
        made = client_as("bookkeeper").post(reverse("payment_receipt", args=[Payment.objects.get().pk]))
        assert (made.status_code, Document.objects.filter(kind="receipt").count()) == (302, 1)
        assert [found for _, found in verify.run_checks() if found] == []

    @pytest.mark.parametrize("amount", ["26.64", "0.01", "40.00", "100.00"])
    def test_only_whole_charges_and_says_which_sums(self, authorisation, amount):
        with pytest.raises(asking.NotWholeError, match=r"may come to \$26\.65, \$53\.30"):
            ask(authorisation, amount)

    def test_less_what_is_on_account_it_is_all_or_nothing(self, authorisation, bookkeeper):
        payments.record_payment(
            household=authorisation.household,
            method="cash",
            amount=D("40.00"),
            received_on=TODAY,
            acting_user=bookkeeper,
            now=NOW,
        )
        with pytest.raises(asking.NotWholeError) as refused:
            ask(authorisation, "26.65")
        assert refused.value.sums == [D("13.30")]
        assert ask(authorisation, "13.30").amount == D("13.30")

    def test_one_at_a_time(self, authorisation):
        ask(authorisation)
        with pytest.raises(asking.ToldAlreadyError, match=r"at most \$26\.65 is debited on Mar 23, 2026"):
            ask(authorisation, "53.30")

    def test_not_without_an_authorisation(self, authorisation, bookkeeper):
        authorising.end(authorisation=authorisation, how="revoked", why="Moved banks", acting_user=bookkeeper, now=NOW)
        with pytest.raises(asking.NotAuthorisedError):
            ask(authorisation)

    def test_not_while_a_promise_runs(self, authorisation, bookkeeper):
        promised = Promised("promise", "Jo Sample", ((DEBITED, D("26.65")),), D("26.65"))
        arrangements.arrange(household=authorisation.household, promised=promised, acting_user=bookkeeper, now=NOW, today=TODAY)
        with pytest.raises(asking.PausedError, match="nothing is debited meanwhile"):
            ask(authorisation)

    def test_sent_twice_it_tells_once(self, authorisation, bookkeeper):
        key = uuid4()
        first, again = (ask(authorisation, request_key=key, acting_user=bookkeeper) for _ in range(2))
        assert first == again == AutopayNotice.objects.get()


class TestOnThePaymentPage:
    @pytest.fixture(autouse=True)
    def march(self, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: TODAY)
        monkeypatch.setattr(clock, "now", lambda: NOW)

    def post(self, client, household, amount="26.65", **changes):
        form = {"amount": amount, "method": "debit", "request_key": uuid4()} | changes
        return client.post(reverse("payment_take", args=[household.pk]), form, follow=True)

    def test_is_a_choice_where_it_was_authorised(self, authorisation, client_as):
        client = client_as("specialist")
        page = client.get(reverse("payment_take", args=[authorisation.household_id]))
        assert re.findall(r'name="method" value="(\w+)"', page.content.decode()) == ["cash", "cheque", "card", "debit"]
        assert "Checking …5518, debited Mar 23, 2026; told today" in text(page)
        said = text(self.post(client, authorisation.household))
        assert "The family is told: $26.65 is debited on Mar 23, 2026" in said
        assert AutopayNotice.objects.get().amount == D("26.65")

    def test_is_no_choice_elsewhere(self, setup, client_as, bookkeeper):
        agreement = AgreementFactory()
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=NOW)
        answer = self.post(client_as("specialist"), agreement.household)
        assert (answer.status_code, "This way is not open here" in text(answer)) == (422, True)
        assert AutopayNotice.objects.count() == 0

    def test_says_which_sums_and_keeps_what_was_typed(self, authorisation, client_as):
        answer = self.post(client_as("specialist"), authorisation.household, "30.00")
        assert (answer.status_code, "It may come to $26.65, $53.30" in text(answer)) == (422, True)
        assert 'value="30.00"' in answer.content.decode()

    def test_asks_few_questions(self, setup, client_as, django_assert_max_num_queries):
        household = authorised().household
        client = client_as("specialist")
        with django_assert_max_num_queries(MOST_QUERIES):
            client.get(reverse("payment_take", args=[household.pk]))


MOST_QUERIES = 18
"""No list: the family, what it owes line by line, its card and its debit."""

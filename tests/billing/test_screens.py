"""Every screen of the books: what it says, what it refuses and how, and how few questions it asks of the database."""

import datetime
import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import charges, deposits, months, payments, queries, runs
from billing.models import BillingRun, Charge, Deposit, Payment
from rentals.runtime import clock
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory

D = Decimal
MOST_QUERIES = 12


@pytest.fixture
def owing(agreement, bookkeeper):
    """A household that owes 26.65, due January 31, and 26.65, due February 28."""
    for n in range(2):
        charges.charge_period(agreement=agreement, period=n, acting_user=bookkeeper, now=NOON)
    return agreement.household


@pytest.fixture
def paid(owing, bookkeeper):
    """A check over 30.00 from them."""
    return payments.record_payment(
        household=owing,
        method="cheque",
        cheque_number="1041",
        amount=D("30.00"),
        received_on=DAY,
        acting_user=bookkeeper,
        now=NOON,
    )


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def sent(**changes):
    return {
        "amount": "53.30",
        "method": "cash",
        "cheque_number": "",
        "received_on": "3/10/2026",
        "request_key": uuid.uuid4(),
        **changes,
    }


class TestTakePayment:
    def test_offers_what_is_due_and_says_what_it_pays(self, client_as, owing):
        page = client_as("specialist").get(reverse("payment_take", args=[owing.pk]))
        assert 'value="53.30"' in page.content.decode()
        assert "Jan 31, 2026 Rent, sales tax on rent, protection $26.65" in text(page)

    def test_takes_it(self, client_as, owing):
        answer = client_as("specialist").post(reverse("payment_take", args=[owing.pk]), sent())
        payment = Payment.objects.get()
        assert (answer.status_code, answer["Location"]) == (302, reverse("payment", args=[payment.pk]))
        assert (payment.amount, queries.sum_balance(owing.pk)) == (D("53.30"), D("0.00"))

    def test_sent_twice_takes_it_once(self, client_as, owing):
        client, form = client_as("specialist"), sent()
        first = client.post(reverse("payment_take", args=[owing.pk]), form)
        second = client.post(reverse("payment_take", args=[owing.pk]), form)
        assert first["Location"] == second["Location"]
        assert Payment.objects.count() == 1

    def test_asks_for_the_number_of_a_check_and_keeps_what_was_typed(self, client_as, owing):
        page = client_as("specialist").post(reverse("payment_take", args=[owing.pk]), sent(method="cheque", amount="12.5"))
        assert page.status_code == 422
        assert "Write the check’s number".replace("’", "&#x27;") in page.content.decode()
        assert 'value="12.5"' in page.content.decode()

    @pytest.mark.parametrize(
        ("changes", "sentence"),
        [
            ({"amount": "0"}, "more than zero"),
            ({"amount": "ten"}, "in digits"),
            ({"amount": ""}, "Write the amount"),
            ({"method": ""}, "Choose how it is paid"),
            ({"received_on": "3/10/2036"}, "has not come yet"),
            ({"received_on": "soon"}, "month/day/year"),
        ],
    )
    def test_says_what_is_wrong(self, client_as, owing, changes, sentence):
        page = client_as("specialist").post(reverse("payment_take", args=[owing.pk]), sent(**changes))
        assert page.status_code == 422
        assert sentence in text(page)
        assert not Payment.objects.exists()

    def test_says_that_the_month_is_closed(self, client_as, owing, bookkeeper):
        for month in (1, 2, 3):
            months.close_month(first_day=DAY.replace(month=month, day=1), acting_user=bookkeeper, now=NOON, today=clock.today())
        page = client_as("bookkeeper").post(reverse("payment_take", args=[owing.pk]), sent())
        assert page.status_code == 422
        assert "The books are closed before Apr 1, 2026" in text(page)

    def test_shows_what_another_amount_pays_without_taking_it(self, client_as, owing):
        page = client_as("specialist").post(reverse("payment_take", args=[owing.pk]), sent(amount="21.65", show="1"))
        assert "Rent, sales tax on rent $21.65" in text(page)
        assert not Payment.objects.exists()

    def test_shows_it_while_one_types(self, client_as, owing):
        page = client_as("specialist").get(reverse("payment_preview", args=[owing.pk]), {"amount": "60"})
        assert "$6.70 stays on the family" in text(page)

    def test_is_not_for_the_technician(self, client_as, owing):
        assert client_as("technician").get(reverse("payment_take", args=[owing.pk])).status_code == 403


class TestPayment:
    def test_says_what_it_paid(self, client_as, paid):
        page = text(client_as("specialist").get(reverse("payment", args=[paid.pk])))
        assert "Rent Jan 31, 2026 $20.00" in page
        assert "Returned by the bank" not in page

    def test_returns_it(self, client_as, paid):
        client = client_as("bookkeeper")
        form = {"reason": "Insufficient funds", "returned_on": "3/16/2026"}
        page = client.post(reverse("payment_return", args=[paid.pk]), form, follow=True)
        assert "$30.00 is owed again" in text(page)
        assert queries.sum_balance(paid.household_id) == D("53.30")
        again = client.post(reverse("payment_return", args=[paid.pk]), form)
        assert (again.status_code, "was returned already" in text(again)) == (422, True)

    def test_a_specialist_may_not_return_it(self, client_as, paid):
        assert client_as("specialist").get(reverse("payment_return", args=[paid.pk])).status_code == 403


class TestVoidCharge:
    def test_asks_for_the_reason_and_voids(self, client_as, paid):
        charge = Charge.objects.get(period=0)
        client = client_as("bookkeeper")
        assert client.post(reverse("charge_void", args=[charge.pk]), {"reason": ""}).status_code == 422
        client.post(reverse("charge_void", args=[charge.pk]), {"reason": "Billed twice"})
        charge.refresh_from_db()
        assert charge.void_entry.memo.endswith("undone: Billed twice")


class TestDeposits:
    def test_deposits_what_is_ticked(self, client_as, paid):
        client = client_as("bookkeeper")
        assert "1041" in text(client.get(reverse("deposits")))
        form = {"payments": [paid.pk], "deposited_on": "3/11/2026", "request_key": uuid.uuid4()}
        page = client.post(reverse("deposits"), form, follow=True)
        assert "Deposit D-000001 of $30.00 is made" in text(page)
        assert "Checks $30.00" in text(page)

    def test_names_a_payment_that_is_not_on_hand_any_more(self, client_as, paid, bookkeeper):
        deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        form = {"payments": [paid.pk], "deposited_on": "3/11/2026", "request_key": uuid.uuid4()}
        page = client_as("bookkeeper").post(reverse("deposits"), form)
        assert (page.status_code, Deposit.objects.count()) == (422, 1)
        assert f"Not on hand any more: {paid.number}" in text(page)

    def test_asks_to_tick_something(self, client_as, paid):
        page = client_as("bookkeeper").post(reverse("deposits"), {"deposited_on": "3/11/2026", "request_key": uuid.uuid4()})
        assert (page.status_code, "Tick at least one payment" in text(page)) == (422, True)


class TestBillingRuns:
    def test_starts_shows_progress_and_then_what_it_did(self, client_as, agreement):
        client = client_as("bookkeeper")
        started = client.post(reverse("billing_runs"), {"through_on": clock.today().strftime("%m/%d/%Y")})
        run = BillingRun.objects.get()
        assert started["Location"] == reverse("billing_run", args=[run.pk])
        waiting = client.get(reverse("billing_run", args=[run.pk]))
        assert 'hx-trigger="every 2s"' in waiting.content.decode()
        done = runs.continue_run(run.pk, now=NOON)
        page = text(client.get(reverse("billing_run_progress", args=[run.pk])))
        assert f"{done.billed}, to 1 agreement" in page
        assert "every 2s" not in page

    def test_says_that_one_is_under_way(self, client_as, bookkeeper):
        run = runs.start_run(through_on=clock.today(), acting_user=bookkeeper, now=NOON)
        page = client_as("manager").post(reverse("billing_runs"), {"through_on": clock.today().strftime("%m/%d/%Y")}, follow=True)
        assert "under way already" in text(page)
        assert page.redirect_chain[-1][0] == reverse("billing_run", args=[run.pk])

    def test_refuses_to_bill_far_ahead(self, client_as, db):
        page = client_as("bookkeeper").post(
            reverse("billing_runs"), {"through_on": f"{clock.today() + datetime.timedelta(days=40):%m/%d/%Y}"}
        )
        assert (page.status_code, "more than a month ahead" in text(page)) == (422, True)


class TestBillingPreview:
    def ask(self, client_as, day="3/31/2026", role="bookkeeper"):
        return client_as(role).get(reverse("billing_preview"), {"through_on": day})

    @pytest.fixture(autouse=True)
    def in_march(self, time_machine):
        time_machine.move_to(NOON)

    def test_shows_what_it_comes_to_and_bills_nothing(self, client_as, agreement):
        page = text(self.ask(client_as))
        assert "$79.95" in page
        assert "3, to 1 agreement" in page
        assert "Bill now" in page
        assert not Charge.objects.exists()

    def test_names_the_bills_that_differ_most(self, client_as, agreement, bookkeeper):
        same, larger = AgreementFactory(), AgreementFactory()
        for each in (same, larger):
            charges.charge_period(agreement=each, period=0, acting_user=bookkeeper, now=NOON)
        charges.charge_period(agreement=same, period=1, acting_user=bookkeeper, now=NOON)
        page = text(self.ask(client_as))
        assert larger.number in page
        assert "2 periods at once" in page
        assert same.number not in page
        assert agreement.number not in page

    def test_says_when_nothing_is_due(self, client_as, db):
        page = text(self.ask(client_as))
        assert "Nothing is due that was not billed already." in page
        assert "Bill now" not in page

    @pytest.mark.parametrize(
        ("day", "words"),
        [("5/31/2026", "more than a month ahead"), ("1/31/2126", "Check the year"), ("", "Write the last due day")],
    )
    def test_refuses_a_day_that_is_none(self, client_as, db, day, words):
        page = self.ask(client_as, day)
        assert (page.status_code, words in text(page)) == (422, True)

    def test_is_for_those_who_may_bill(self, client_as, db):
        assert self.ask(client_as, role="specialist").status_code == 403


class TestJournal:
    def test_lists_filters_and_exports_the_same(self, client_as, paid):
        client = client_as("bookkeeper")
        address = {"from": "2026-03-01", "through": "2026-03-31", "kind": "payment"}
        page = text(client.get(reverse("journal"), address))
        assert "Check 1041 from" in page
        assert "Rent A-" not in page
        rows = b"".join(client.get(reverse("journal_csv"), address).streaming_content).decode().splitlines()
        assert len(rows) == 3
        assert rows[1].endswith(",30.00,")

    def test_opens_with_this_month(self, client_as, paid):
        assert "No entries match" in text(client_as("bookkeeper").get(reverse("journal")))

    def test_gives_the_beancount_file(self, client_as, paid):
        answer = client_as("bookkeeper").get(reverse("journal_beancount"))
        assert b"balance Assets:1200-Owed-by-families  23.30 ~ 0.001 USD" in b"".join(answer.streaming_content)

    def test_is_not_for_the_specialist(self, client_as, db):
        assert client_as("specialist").get(reverse("journal")).status_code == 403


class TestTrialBalance:
    def test_shows_a_day(self, client_as, paid):
        page = text(client_as("bookkeeper").get(reverse("trial_balance"), {"on": "2026-02-28"}))
        assert "1200 Owed by families Asset $53.30" in page
        assert "Total $53.30 $53.30" in page


class TestOverdue:
    def test_ages_what_is_open(self, client_as, paid):
        page = text(client_as("bookkeeper").get(reverse("aging"), {"on": "2026-03-10"}))
        assert "1 family owes $23.30 past the due date" in page


class TestEveryScreen:
    @pytest.fixture
    def many(self, bookkeeper):
        households = []
        for _ in range(12):
            agreement = AgreementFactory()
            for n in range(2):
                charges.charge_period(agreement=agreement, period=n, acting_user=bookkeeper, now=NOON)
            payments.record_payment(
                household=agreement.household, method="cash", amount=D("30.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
            )
            households.append(agreement.household)
        first = list(Payment.objects.order_by("id")[:6])
        deposits.make_deposit(payments=first, deposited_on=DAY, acting_user=bookkeeper, now=NOON)
        BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=bookkeeper)
        payments.record_payment(
            household=HouseholdFactory(), method="cash", amount=D("5.00"), received_on=DAY, acting_user=bookkeeper, now=NOON
        )
        return households

    def test_asks_few_questions_whatever_the_data(self, client_as, many, django_assert_max_num_queries):
        client, household = client_as("bookkeeper"), many[0]
        payment, charge = household.payments.get(), household.charges.first()
        addresses = [
            reverse("payment_take", args=[household.pk]),
            reverse("payment_preview", args=[household.pk]) + "?amount=20",
            reverse("payment", args=[payment.pk]),
            reverse("payment_return", args=[payment.pk]),
            reverse("charge_void", args=[charge.pk]),
            reverse("deposits"),
            reverse("deposit", args=[payment.deposit_id]),
            reverse("billing_runs"),
            reverse("billing_run", args=[BillingRun.objects.get().pk]),
            reverse("billing_run_progress", args=[BillingRun.objects.get().pk]),
            reverse("journal") + "?from=2026-01-01",
            reverse("trial_balance"),
            reverse("aging"),
            reverse("books"),
        ]
        for address in addresses:
            with django_assert_max_num_queries(MOST_QUERIES, info=address):
                assert client.get(address).status_code == 200, address

    def test_a_households_account_takes_few_questions(self, many, django_assert_max_num_queries):
        with django_assert_max_num_queries(8):
            queries.get_household_account(many[0].pk, today=DAY)

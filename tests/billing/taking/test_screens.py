"""Screens of the takings: the own day, everybody's days, a second person, a void, the slip."""

import re
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import deposits, payments
from billing.models import PaymentReturn, Taking, TakingCount
from rentals.documents.models import Document
from rentals.documents.operations import make_document
from rentals.runtime import clock
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import HouseholdFactory

D = Decimal


@pytest.fixture
def counter(client_as):
    """A specialist at the counter who took 30.00 in cash and a check over 26.65 today."""
    OfficeFactory()
    client = client_as("specialist")
    for number, amount in (("", "30.00"), ("1041", "26.65")):
        payments.record_payment(
            household=HouseholdFactory(), method="cheque" if number else "cash", amount=D(amount), cheque_number=number,
            received_on=clock.today(), acting_user=client.user, now=clock.now(),
        )  # fmt: skip
    client.taking = Taking.objects.get()
    client.cheque = client.taking.payments.get(method="cheque")
    return client


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def send(counter, **form):
    return counter.post(reverse("taking", args=[counter.taking.pk]), form)


class TestOwnDay:
    def test_is_listed_and_says_what_should_be_there(self, counter):
        assert reverse("taking", args=[counter.taking.pk]) in counter.get(reverse("my_takings")).content.decode()
        page = text(counter.get(reverse("taking", args=[counter.taking.pk])))
        assert "Cash that should be there $30.00" in page
        assert "Checks 1, $26.65" in page

    def test_is_counted_down(self, counter):
        answer = send(counter, piece_1000="3", cheques=counter.cheque.pk)
        assert answer.status_code == 302
        assert TakingCount.objects.get().closed_by == counter.user
        assert "Closed" in text(counter.get(answer["Location"]))

    def test_says_what_differs_and_keeps_what_was_typed(self, counter):
        page = send(counter, piece_1000="2", piece_500="1", cheques=counter.cheque.pk)
        assert page.status_code == 422
        assert "$5.00 short: $30.00 should be there" in text(page)
        assert 'name="piece_1000" value="2"' in page.content.decode()
        assert "checked" in page.content.decode()

    def test_names_the_check_that_is_missing(self, counter):
        page = send(counter, piece_1000="3")
        assert "Not ticked: check 1041 over $26.65" in text(page)

    @pytest.mark.parametrize("typed", ["three", "-1", "10000", "1.5"])
    def test_refuses_what_is_no_number_of_pieces(self, counter, typed):
        page = send(counter, piece_1000=typed, cheques=counter.cheque.pk)
        assert (page.status_code, TakingCount.objects.count()) == (422, 0)
        assert "$10" in text(page)

    def test_a_closed_drawer_refuses_the_next_payment_kindly(self, counter):
        send(counter, piece_1000="3", cheques=counter.cheque.pk)
        form = {"amount": "5", "method": "cash", "received_on": f"{clock.today():%m/%d/%Y}"}
        form["request_key"] = "0b9f6f2e-4f1e-4a53-9c0f-1a5f6a1d2b3c"
        page = counter.post(reverse("payment_take", args=[HouseholdFactory().pk]), form)
        assert page.status_code == 422
        assert "are counted down. Let somebody else take this one" in text(page)


class TestOthersDays:
    def test_a_specialist_sees_only_his_own(self, counter, client_as):
        url = reverse("taking", args=[counter.taking.pk])
        assert client_as("specialist").get(url).status_code == 404
        page = client_as("bookkeeper").get(url)
        assert (page.status_code, "Count down and close" in text(page)) == (200, False)
        assert client_as("bookkeeper").post(url, {"piece_1000": "3"}).status_code == 403

    def test_the_bookkeeper_sees_what_is_open(self, counter, client_as, django_assert_max_num_queries):
        reader = client_as("bookkeeper")
        with django_assert_max_num_queries(12):
            page = text(reader.get(reverse("takings")))
        assert f"{counter.user.name} Open 2 $56.65 $56.65" in page
        send(counter, piece_1000="3", cheques=counter.cheque.pk)
        assert "All done: no days waiting." in text(reader.get(reverse("takings")))
        assert f"{counter.user.name} Closed" in text(reader.get(reverse("takings") + "?show=all"))

    def test_a_manager_confirms_and_opens_again(self, counter, client_as):
        send(counter, piece_1000="2", cheques=counter.cheque.pk, reason="A note is gone")
        url, manager = reverse("taking", args=[counter.taking.pk]), client_as("manager")
        assert "a manager who did not count has to confirm it" in text(counter.get(url))
        assert counter.post(reverse("taking_confirm", args=[counter.taking.pk])).status_code == 403
        assert "Confirmed" in text(manager.post(reverse("taking_confirm", args=[counter.taking.pk]), follow=True))
        assert manager.post(reverse("taking_reopen", args=[counter.taking.pk]), {"reason": ""}).status_code == 422
        page = manager.post(reverse("taking_reopen", args=[counter.taking.pk]), {"reason": "Found it"}, follow=True)
        assert "Opened again" in text(page)
        assert "Found it" in text(page)


class TestVoid:
    def test_on_the_payments_page(self, counter):
        url = reverse("payment", args=[counter.cheque.pk])
        assert "Void a mistake" in text(counter.get(url))
        page = counter.post(reverse("payment_void", args=[counter.cheque.pk]), {"reason": "Wrong family"}, follow=True)
        assert "Void: taken by mistake Wrong family" in text(page)
        assert PaymentReturn.objects.get().kind == "mistake"
        assert "Void a mistake" not in text(counter.get(url))

    def test_not_of_others(self, counter, client_as):
        assert client_as("specialist").get(reverse("payment_void", args=[counter.cheque.pk])).status_code == 404

    def test_has_no_receipt(self, counter):
        counter.post(reverse("payment_void", args=[counter.cheque.pk]), {"reason": "Wrong family"})
        page = counter.post(reverse("payment_receipt", args=[counter.cheque.pk]), follow=True)
        assert "is void, so there is no receipt" in text(page)


class TestSlip:
    def test_lists_checks_and_cash_and_is_kept(self, counter, client_as):
        send(counter, piece_1000="2", piece_500="1", piece_100="4", cheques=counter.cheque.pk, reason="Change")
        bookkeeper = client_as("bookkeeper")
        page = bookkeeper.get(reverse("deposits"))
        assert page.content.decode().count(" checked") == 2
        deposit = deposits.make_deposit(
            payments=list(counter.taking.payments.all()), deposited_on=clock.today(), acting_user=bookkeeper.user, now=clock.now()
        )
        assert deposit.amount == D("55.65")
        answer = bookkeeper.post(reverse("deposit_slip", args=[deposit.pk]))
        document = Document.objects.get(kind="deposit_slip")
        assert answer["Location"] == reverse("document", args=[document.pk])
        shown = document.payload["page"]
        assert (shown["cash"], shown["cheque_total"], shown["total"]) == ("29.00", "26.65", "55.65")
        assert [each["number"] for each in shown["cheques"]] == ["1041"]
        made = make_document(document_id=document.pk, now=clock.now())
        assert bytes(made.content).startswith(b"%PDF")

    def test_an_open_day_is_not_ticked(self, counter, client_as):
        page = client_as("bookkeeper").get(reverse("deposits"))
        assert (page.content.decode().count(" checked"), "2 payments of days that are not counted down" in text(page)) == (
            0,
            True,
        )

    def test_cards_have_none(self, client_as, db):
        bookkeeper = client_as("bookkeeper")
        paid = payments.record_payment(
            household=HouseholdFactory(), method="card", amount=D(30), received_on=clock.today(), acting_user=bookkeeper.user,
            now=clock.now(),
        )  # fmt: skip
        payout = deposits.make_deposit(
            payments=[paid], deposited_on=clock.today(), acting_user=bookkeeper.user, now=clock.now(), kind="cards", fee=D(1)
        )
        page = bookkeeper.post(reverse("deposit_slip", args=[payout.pk]), follow=True)
        assert "there is no slip for it" in text(page)

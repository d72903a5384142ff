"""The screens of leaving: figures before the last button, refusals in the form, and a page where the state allows nothing."""

import datetime
import re

import pytest
from django.urls import reverse

from billing.models import PayoffQuote, Purchase
from rentals.agreements import life
from rentals.agreements.models import Agreement, LossReport
from rentals.runtime import clock
from tests.counter.leaving import rental, shop, unit_of
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def client(client_as):
    LocationFactory()
    return client_as("specialist")


@pytest.fixture(autouse=True)
def march(monkeypatch):
    """It is March 10, 2026."""
    now = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)
    monkeypatch.setattr(clock, "now", lambda: now)
    monkeypatch.setattr(clock, "today", now.date)


def at(move, agreement, **query):
    url = reverse(f"agreement_{move}", args=[agreement.pk])
    return url + ("?" + "&".join(f"{name}={value}" for name, value in query.items()) if query else "")


def hidden(page):
    """What the form carries along by itself."""
    found = re.findall(r'<input type="hidden" name="([^"]+)"(?: value="([^"]*)")?', page.content.decode())
    return {name: value for name, value in found if name != "csrfmiddlewaretoken"}


def send(client, url, **typed):
    """Open the form, type, send it; with the figures it shows, send it again."""
    first = client.post(url, {**hidden(client.get(url)), **typed})
    return first, (client.post(url, {**hidden(first), **typed}) if first.status_code == 200 else first)


CONDITION = {"location": "main", "grade": "good"}


class TestQuoteAndBuy:
    def test_quotes_with_the_price_above_the_button(self, client):
        agreement = rental(months=2, plan_version=shop())
        page = client.get(at("quote_payoff", agreement)).content.decode()
        assert "$909.30" in page
        assert 'value="03/20/2026"' in page or 'value="2026-03-20"' in page
        answer = client.post(
            at("quote_payoff", agreement), {**hidden(client.get(at("quote_payoff", agreement))), "valid_until": "03/20/2026"}
        )
        assert answer.url == reverse("agreement", args=[agreement.pk])
        assert PayoffQuote.objects.get().valid_until == datetime.date(2026, 3, 20)

    def test_sells_at_the_price_that_was_shown(self, client):
        agreement = rental(months=2, plan_version=shop())
        answer = client.post(at("buy", agreement), hidden(client.get(at("buy", agreement))))
        assert answer.status_code == 302
        assert Purchase.objects.get().net == 840

    def test_shows_the_new_price_when_it_changed(self, client):
        agreement = rental(months=2, plan_version=shop())
        typed = {**hidden(client.get(at("buy", agreement))), "shown": "1.00"}
        again = client.post(at("buy", agreement), typed)
        assert "The figures changed since they were shown" in again.content.decode()
        assert not Purchase.objects.exists()
        assert client.post(at("buy", agreement), hidden(again)).status_code == 302

    def test_says_what_is_possible_of_one_that_is_bought(self, client):
        agreement = rental(plan_version=shop())
        client.post(at("buy", agreement), hidden(client.get(at("buy", agreement))))
        page = client.get(at("buy", agreement))
        assert page.status_code == 409
        assert "is bought" in page.content.decode()

    def test_a_technician_may_not(self, client_as):
        assert client_as("technician").get(at("buy", rental(plan_version=shop()))).status_code == 403


class TestStepUp:
    def test_chooses_shows_and_sells(self, client):
        agreement = rental(months=2, plan_version=shop())
        better = InstrumentFactory(item__purchase_price="2400.00")
        assert better.asset_tag in client.get(at("step_up", agreement)).content.decode()
        first, last = send(client, at("step_up", agreement, tag=better.asset_tag), **CONDITION)
        assert "$2,559.03" in first.content.decode()
        assert last.status_code == 302
        assert Purchase.objects.get().instrument == better

    def test_says_when_no_instrument_has_the_tag(self, client):
        page = client.get(at("step_up", rental(plan_version=shop()), tag="XX-1"))
        assert page.status_code == 422
        assert "No instrument has the tag XX-1" in page.content.decode()


class TestReturn:
    def test_shows_what_it_comes_to_then_ends_it(self, client):
        agreement = rental(months=2, plan_version=shop())
        typed = {"on": "03/10/2026", **CONDITION, "missing_0": "on", "price_0": "79.95"}
        first, last = send(client, at("return", agreement), **typed)
        assert "$86.55" in first.content.decode()
        assert Agreement.objects.get(pk=agreement.pk).end_reason == "returned"
        assert last.url == reverse("agreement", args=[agreement.pk])

    def test_goes_back_to_change_something(self, client):
        agreement = rental(plan_version=shop())
        typed = {"on": "03/10/2026", **CONDITION, "note": "Scratched"}
        first = client.post(at("return", agreement), {**hidden(client.get(at("return", agreement))), **typed})
        again = client.post(at("return", agreement), {**hidden(first), "change": "1"})
        assert "Scratched</textarea>" in again.content.decode()
        shown_anew = client.post(at("return", agreement), {**hidden(again), **typed})
        assert "What it comes to" in shown_anew.content.decode()
        assert Agreement.objects.get(pk=agreement.pk).is_open

    def test_asks_for_the_price_of_what_is_missing(self, client):
        agreement = rental(plan_version=shop())
        typed = {"on": "03/10/2026", **CONDITION, "missing_0": "on", "price_0": ""}
        answer = client.post(at("return", agreement), {**hidden(client.get(at("return", agreement))), **typed})
        assert answer.status_code == 422
        assert "Write what the missing part costs: case" in answer.content.decode()

    def test_refuses_a_day_ahead_in_the_form(self, client):
        agreement = rental(plan_version=shop())
        typed = {"on": "03/11/2026", **CONDITION}
        answer = client.post(at("return", agreement), {**hidden(client.get(at("return", agreement))), **typed})
        assert answer.status_code == 422
        assert "This day has not come yet" in answer.content.decode()


class TestLoss:
    def test_says_why_a_theft_without_police_report_is_not_covered(self, client):
        agreement = rental(plan_version=shop(deductible="50.00"))
        typed = {"kind": "stolen", "happened_on": "03/09/2026", "is_covered": "yes"}
        first, last = send(client, at("report_loss", agreement), **typed)
        assert "Without the number of a police report" in first.content.decode()
        assert last.status_code == 302
        assert LossReport.objects.get().owed.amount == 850

    def test_bills_the_deductible_where_protection_covers_it(self, client):
        agreement = rental(plan_version=shop(deductible="50.00"))
        send(client, at("report_loss", agreement), kind="lost", happened_on="03/09/2026", is_covered="yes")
        assert LossReport.objects.get().owed.amount == 50


SIGNING = {"signer_name": "Alex Sample", "consent": "on", "strokes": ""}


class TestSwapAndTakeUp:
    def test_exchanges_under_a_signature(self, client):
        agreement = rental(months=2, plan_version=shop())
        other = InstrumentFactory(item=CatalogueItemFactory(kind_code="flute"))
        assert "kind=flute" in client.get(at("exchange", agreement)).content.decode()
        assert other.asset_tag in client.get(at("exchange", agreement, kind="flute")).content.decode()
        url = at("exchange", agreement, tag=other.asset_tag)
        first = client.post(url, {**hidden(client.get(url)), **CONDITION, "protection": "yes"})
        assert "The agreement" in first.content.decode()
        unsigned = client.post(url, hidden(first))
        assert unsigned.status_code == 422
        assert "Let the guardian sign" in unsigned.content.decode()
        assert client.post(url, {**hidden(unsigned), **SIGNING}).status_code == 302
        assert Agreement.objects.get(follows=agreement).item.kind_id == "flute"

    def test_sizes_up(self, client):
        agreement = rental(plan_version=shop(), item=CatalogueItemFactory(kind_code="violin", size="1/2"))
        larger = InstrumentFactory(item=CatalogueItemFactory(kind_code="violin", size="3/4"))
        assert larger.asset_tag in client.get(at("size_up", agreement)).content.decode()
        url = at("size_up", agreement, tag=larger.asset_tag)
        first = client.post(url, {**hidden(client.get(url)), **CONDITION, "protection": "no"})
        assert client.post(url, {**hidden(first), **SIGNING}).status_code == 302
        assert Agreement.objects.get(follows=agreement).follows_by == "size_up"

    def test_takes_up_again(self, client):
        agreement = rental(months=2, plan_version=shop())
        send(client, at("return", agreement), on="03/10/2026", **CONDITION)
        unit = unit_of(agreement)
        assert unit.asset_tag in client.get(at("reinstate", agreement)).content.decode()
        url = at("reinstate", agreement, tag=unit.asset_tag)
        first = client.post(url, {**hidden(client.get(url)), "protection": "yes"})
        assert client.post(url, {**hidden(first), **SIGNING}).status_code == 302
        assert Agreement.objects.get(follows=agreement).follows_by == "reinstatement"

    def test_says_who_was_faster(self, client):
        agreement = rental(plan_version=shop())
        page = client.get(at("return", agreement))
        life.note_event(agreement=agreement, kind="payoff_quoted", on=clock.today(), acting_user=client.user, now=clock.now())
        typed = {**hidden(page), "on": "03/10/2026", **CONDITION}
        first = client.post(at("return", agreement), typed)
        last = client.post(at("return", agreement), {**typed, **hidden(first)})
        assert last.status_code == 409
        assert "since you opened this form" in last.content.decode()

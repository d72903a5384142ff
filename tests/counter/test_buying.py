"""Quoting, buying and stepping up as the counter does it: what becomes true in all the books at once, and what is refused."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from billing import payments, purchases, queries, verify
from billing.models import PayoffQuote, Purchase
from rentals.agreements import errors, life
from rentals.agreements.models import Agreement, LifeEvent, ReturnCheck
from rentals.agreements.moves import MoveNotPossibleError
from rentals.counter.life import buying, ends
from rentals.documents.models import Document
from rentals.inventory import queries as fleet
from tests.counter.leaving import NOW, TODAY, condition, pay, rental, sent, shop, unit_of, who, with_loaner
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

D = Decimal
pytestmark = pytest.mark.django_db


def clean() -> None:
    """The invariants of money that a purchase touches."""
    assert [
        (check.title, found) for check, found in verify.run_checks() if found and check.invariant in {1, 2, 4, 5, 6, 7, 8}
    ] == []


def buy(agreement, key=None, **terms):
    return buying.buy(agreement=agreement, terms=buying.Terms(**terms), sent=key or sent(agreement), **who())


class TestQuotePayoff:
    def test_writes_the_price_and_the_timeline(self):
        agreement = rental(months=2, plan_version=shop())
        until = TODAY + datetime.timedelta(days=10)
        event = buying.quote_payoff(agreement=agreement, valid_until=until, sent=sent(agreement), **who())
        quote = PayoffQuote.objects.get()
        assert (quote.credit, quote.net, quote.valid_until) == (D("60.00"), D("840.00"), until)
        assert (event.kind, event.note) == ("payoff_quoted", "$909.30 through Mar 20, 2026")
        assert Document.objects.filter(kind="payoff_quote", about=f"agreement/{agreement.pk}").exists()

    def test_sent_again_quotes_once(self):
        agreement, until = rental(plan_version=shop()), TODAY
        key, person = sent(agreement), who()
        first = buying.quote_payoff(agreement=agreement, valid_until=until, sent=key, **person)
        assert buying.quote_payoff(agreement=agreement, valid_until=until, sent=key, **person) == first
        assert PayoffQuote.objects.count() == 1

    def test_may_be_done_by_a_specialist_not_a_technician(self):
        agreement = rental(plan_version=shop())
        with pytest.raises(PermissionDenied):
            buying.quote_payoff(
                agreement=agreement, valid_until=TODAY, sent=sent(agreement), **who(acting_user=TechnicianFactory())
            )


class TestBuy:
    def test_sells_ends_and_takes_it_out_of_the_fleet(self):
        agreement = rental(months=2, plan_version=shop())
        event = buy(agreement)
        ended = Agreement.objects.get(pk=agreement.pk)
        sold = Purchase.objects.get()
        assert (ended.end_reason, ended.ended_on, event.kind) == ("bought", TODAY, LifeEvent.Kind.BOUGHT)
        assert (sold.credit_used, sold.net, sold.tax) == (D("60.00"), D("840.00"), D("69.30"))
        assert fleet.get_whereabouts(unit_of(agreement)).place == "sold"
        assert queries.sum_balance(agreement.household_id) == D("909.30")
        assert queries.sum_rental_credit(agreement.pk).credit == 0
        clean()

    def test_bills_what_had_begun_and_counts_what_money_on_account_pays_of_it(self):
        agreement = rental(months=1, plan_version=shop())
        pay(agreement, "37.89")
        preview = buying.preview_buy(agreement, quote=None, **who())
        assert Purchase.objects.count() == 0
        assert (preview.rent.total, preview.price.credit) == (D("37.89"), D("60.00"))
        buy(agreement, shown=preview.price.sale)
        assert Purchase.objects.get().credit_used == D("60.00")
        clean()

    def test_owes_no_rent_for_a_month_that_begins_today(self):
        agreement = rental(months=2, plan_version=shop(), starts_on=datetime.date(2026, 2, 10))
        # Both months are billed, the second begins today: it is taken back, and its money pays the instrument.
        buy(agreement)
        assert Purchase.objects.get().credit_used == D("30.00")
        assert queries.sum_balance(agreement.household_id) == D("870.00") + D("71.78") - D("37.89")
        clean()

    def test_keeps_the_price_quoted_while_it_holds(self):
        agreement = rental(months=2, plan_version=shop())
        buying.quote_payoff(agreement=agreement, valid_until=TODAY, sent=sent(agreement), **who())
        buy(agreement, quote=PayoffQuote.objects.get())
        assert Purchase.objects.get().quote == PayoffQuote.objects.get()

    def test_refuses_a_quote_whose_rent_came_back(self):
        agreement = rental(plan_version=shop())
        from billing import charges

        charges.charge_period(agreement=agreement, period=0, acting_user=who()["acting_user"], now=NOW)
        paid = pay(agreement, "37.89")
        buying.quote_payoff(agreement=agreement, valid_until=TODAY, sent=sent(agreement), **who())
        payments.return_payment(payment=paid, reason="Other", returned_on=TODAY, acting_user=who()["acting_user"], now=NOW)
        with pytest.raises(purchases.CreditNoLongerEarnedError):
            buy(agreement, quote=PayoffQuote.objects.get())
        assert Agreement.objects.get(pk=agreement.pk).is_open

    def test_refuses_a_price_that_is_not_the_one_shown(self):
        agreement = rental(months=1, plan_version=shop())
        with pytest.raises(purchases.PriceChangedError, match="was"):
            buy(agreement, shown=D("1.00"))
        assert not Purchase.objects.exists()

    def test_sent_again_sells_once(self):
        agreement = rental(plan_version=shop())
        key, person = sent(agreement), who()
        first = buying.buy(agreement=agreement, terms=buying.Terms(), sent=key, **person)
        assert buying.buy(agreement=agreement, terms=buying.Terms(), sent=key, **person) == first
        assert Purchase.objects.count() == 1

    def test_says_what_is_possible_of_one_that_ended(self):
        agreement = rental(plan_version=shop())
        buy(agreement)
        with pytest.raises(MoveNotPossibleError, match="is bought"):
            buy(agreement)

    def test_takes_the_loaner_back_to_the_shelf(self):
        agreement = rental(plan_version=shop())
        loaner = with_loaner(agreement)
        with pytest.raises(errors.NoPlaceToReturnError):
            buy(agreement)
        buy(agreement, location=LocationFactory())
        assert fleet.get_whereabouts(loaner).place == "shelf"

    def test_refuses_one_without_an_instrument(self):
        agreement = rental(plan_version=shop())
        agreement.units.update(ended_at=NOW)
        with pytest.raises(ends.NoInstrumentOnItError):
            buy(agreement)

    def test_refuses_one_that_somebody_moved_on_meanwhile(self):
        agreement = rental(plan_version=shop())
        seen = life.Sent(uuid.uuid4(), life.last_seen(agreement))
        buying.quote_payoff(agreement=agreement, valid_until=TODAY, sent=sent(agreement), **who())
        with pytest.raises(life.AgreementMovedOnError):
            buy(agreement, key=seen)


class TestStepUp:
    def step_up(self, agreement, better, **changes):
        facts = {"condition": condition(), "shown": None, "sent": sent(agreement), **changes}
        return buying.step_up(agreement=agreement, better=better, **facts, **who())

    def test_sells_the_better_one_with_the_step_up_share_and_takes_the_rented_one_back(self):
        agreement = rental(months=2, plan_version=shop())
        better = InstrumentFactory(item__purchase_price="2400.00")
        event = self.step_up(agreement, better)
        sold = Purchase.objects.get()
        # 60 % of 60.00 rent paid: common practice, no source.
        assert (sold.kind, sold.instrument, sold.credit_used, sold.net) == ("step_up", better, D("36.00"), D("2364.00"))
        assert event.kind == LifeEvent.Kind.STEPPED_UP
        assert fleet.get_whereabouts(better).place == "sold"
        assert fleet.get_whereabouts(unit_of(agreement)).place == "shelf"
        assert ReturnCheck.objects.get().instrument == unit_of(agreement)
        assert Agreement.objects.get(pk=agreement.pk).end_reason == "stepped_up"
        clean()

    def test_shows_what_it_does_to_the_cent(self):
        agreement = rental(months=2, plan_version=shop())
        better = InstrumentFactory(item__purchase_price="2400.00")
        found = condition(missing=(ends.Missing("Case", D("80.00")),))
        told = buying.preview_step_up(agreement, better, found, **who())
        assert told.sale == D("2364.00") + D("195.03") + D("86.60")
        self.step_up(agreement, better, condition=found, shown=told.sale)
        assert queries.sum_balance(agreement.household_id) == told.sale

    def test_refuses_one_that_is_not_on_a_shelf(self):
        agreement, other = rental(plan_version=shop()), rental()
        with pytest.raises(errors.InstrumentTakenError):
            self.step_up(agreement, unit_of(other))

    def test_offers_dearer_ones_of_the_kind(self):
        agreement = rental(plan_version=shop())
        InstrumentFactory(item__purchase_price="900.00")
        dear = InstrumentFactory(item__purchase_price="2400.00")
        assert buying.list_better(agreement) == [dear]

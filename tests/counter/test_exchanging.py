"""Exchanging, sizing up and taking up again: who pays which days, where the credit goes, and what is refused."""

import dataclasses
import datetime
from decimal import Decimal

import pytest

from billing import charges, payments, queries, verify
from billing.models import Charge
from rentals.agreements import errors
from rentals.agreements.models import Agreement, ReturnCheck, Signature
from rentals.agreements.moves import Move, MoveNotPossibleError
from rentals.agreements.operations import SignatureGiven
from rentals.counter.life import ends, exchanging, leaving, panel, reinstating
from rentals.documents.models import Document
from rentals.inventory import queries as fleet
from tests.counter.leaving import NOW, TODAY, condition, pay, rental, sent, shop, unit_of, who
from tests.factories import ManagerFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory

D = Decimal
pytestmark = pytest.mark.django_db
SIGNED = SignatureGiven("Alex Sample", "typed", "I agree.")
LATER = NOW + datetime.timedelta(days=21)


def clean() -> None:
    """The invariants of money."""
    assert [
        (check.title, found) for check, found in verify.run_checks() if found and check.invariant in {1, 2, 4, 5, 6, 7, 8, 9}
    ] == []


def swap(instrument, move=Move.EXCHANGE, **changes):
    facts = {"protection": True, "condition": condition(), "signature": SIGNED}
    return exchanging.Swap(move, instrument, **{**facts, **changes})


def do(agreement, wanted, key=None, **people):
    return exchanging.swap_instrument(agreement=agreement, swap=wanted, sent=key or sent(agreement), **who(**people))


def flute(**item):
    return InstrumentFactory(item=CatalogueItemFactory(kind_code="flute", **item))


class TestExchange:
    def test_goes_on_where_the_last_bill_ends_and_takes_the_credit_along(self):
        agreement, other = rental(months=2, plan_version=shop()), flute()
        event = do(agreement, swap(other))
        old, new = Agreement.objects.get(pk=agreement.pk), event.agreement
        terms = new.period_terms.get()
        # Paid through March 30; the next month is billed by the new agreement, from the same anchor.
        assert (old.end_reason, old.ended_on, new.follows, new.follows_by) == ("exchanged", TODAY, old, "exchange")
        assert (terms.begins_on, terms.anchor_on, terms.offset) == (datetime.date(2026, 3, 31), datetime.date(2026, 1, 31), 2)
        assert not Charge.objects.filter(agreement=new).exists()
        assert queries.sum_rental_credit(new.pk).credit == D("60.00")
        assert queries.sum_rental_credit(old.pk).credit == 0
        clean()

    def test_the_first_bill_of_the_next_one_begins_on_the_day_the_last_one_ended(self):
        agreement = rental(months=2, plan_version=shop())
        new = do(agreement, swap(flute())).agreement
        first = charges.charge_period(agreement=new, period=0, acting_user=who()["acting_user"], now=LATER)
        last = Charge.objects.filter(agreement=agreement).latest("period")
        assert last.period_ends_on == first.period_begins_on
        clean()

    def test_bills_what_had_begun_on_the_old_one(self):
        agreement = rental(months=1, plan_version=shop())
        do(agreement, swap(flute()))
        assert [charge.period for charge in Charge.objects.filter(agreement=agreement).order_by("period")] == [0, 1]

    def test_a_month_that_begins_today_is_the_next_ones(self):
        agreement = rental(months=1, plan_version=shop(), starts_on=datetime.date(2026, 2, 10))
        new = do(agreement, swap(flute())).agreement
        assert not Charge.objects.filter(agreement=agreement, period=1).exists()
        assert Charge.objects.get(agreement=new).period_begins_on == TODAY
        clean()

    def test_offers_only_kinds_of_which_there_is_one_to_be_had(self):
        assert [each.code for each in exchanging.list_kinds()] == []
        held = flute()
        assert [(each.code, each.on_shelf) for each in exchanging.list_kinds()] == [("flute", 1)]
        HoldFactory(instrument=held)
        assert [each.code for each in exchanging.list_kinds()] == []

    def test_moves_both_instruments_and_keeps_how_the_old_one_came_back(self):
        agreement, other = rental(plan_version=shop()), flute()
        do(agreement, swap(other, condition=condition(grade="poor", problem="Bent keys")))
        assert fleet.get_whereabouts(other).place == "family"
        assert fleet.get_whereabouts(unit_of(agreement)).place == "bench"
        assert ReturnCheck.objects.get().grade == "poor"

    def test_is_signed_and_given_as_a_paper(self):
        new = do(rental(plan_version=shop()), swap(flute())).agreement
        assert Signature.objects.get(agreement=new).signer_name == "Alex Sample"
        paper = Document.objects.get(about=f"agreement/{new.pk}", kind="agreement")
        assert paper.title == f"Addendum of exchange, agreement {new.number}"
        assert paper.payload["page"]["follows"].startswith(f"Agreement {new.follows.number}, by exchange")

    def test_shows_the_text_that_is_signed(self):
        agreement, wanted = rental(months=1, plan_version=shop()), swap(flute())
        told = exchanging.preview_swap(agreement, wanted, **who())
        assert (told.credit, told.outcome.total, told.first_bill_on) == (D("30.00"), D("37.89"), datetime.date(2026, 3, 31))
        text = "\n".join(paragraph for section in told.sections for paragraph in section.paragraphs)
        assert "Due when you sign: $0.00" in text
        assert "the first time on Mar 31, 2026" in text
        new = do(agreement, dataclasses.replace(wanted, shown=told.outcome.total, shown_sha256=told.sha256)).agreement
        assert Signature.objects.get(agreement=new).text_sha256 == told.sha256

    def test_refuses_another_text_than_the_one_shown(self):
        agreement = rental(plan_version=shop())
        with pytest.raises(errors.TermsChangedError):
            do(agreement, swap(flute(), shown_sha256="0" * 64))
        assert Agreement.objects.get(pk=agreement.pk).is_open

    def test_refuses_other_figures_than_those_shown(self):
        with pytest.raises(ends.FiguresChangedError):
            do(rental(months=1, plan_version=shop()), swap(flute(), shown=D("1.00")))

    def test_refuses_an_instrument_that_is_out(self):
        agreement, other = rental(plan_version=shop()), rental()
        with pytest.raises(errors.InstrumentTakenError):
            do(agreement, swap(unit_of(other)))
        assert Agreement.objects.get(pk=agreement.pk).is_open

    def test_sent_again_exchanges_once(self):
        agreement, wanted, person = rental(plan_version=shop()), swap(flute()), who()
        key = sent(agreement)
        first = exchanging.swap_instrument(agreement=agreement, swap=wanted, sent=key, **person)
        assert exchanging.swap_instrument(agreement=agreement, swap=wanted, sent=key, **person) == first
        assert Agreement.objects.count() == 2

    def test_a_payment_returned_after_it_takes_its_credit_along(self):
        agreement = rental(plan_version=shop())
        charges.charge_period(agreement=agreement, period=0, acting_user=who()["acting_user"], now=NOW)
        paid = pay(agreement, "37.89")
        new = do(agreement, swap(flute())).agreement
        assert queries.sum_rental_credit(new.pk).credit == D("30.00")
        payments.return_payment(payment=paid, reason="Other", returned_on=TODAY, acting_user=who()["acting_user"], now=NOW)
        assert queries.sum_rental_credit(new.pk).credit == 0

    def test_keeps_the_minimum_term_agreed_to(self):
        until = datetime.date(2026, 6, 1)
        new = do(rental(plan_version=shop(), minimum_until=until), swap(flute())).agreement
        assert new.minimum_until == until


class TestSizeUp:
    @pytest.fixture
    def violin(self):
        return rental(months=1, plan_version=shop(), item=CatalogueItemFactory(kind_code="violin", size="1/2"))

    def larger(self, size):
        return InstrumentFactory(item=CatalogueItemFactory(kind_code="violin", size=size))

    def test_offers_larger_ones_the_next_size_first(self, violin):
        whole, next_one, _smaller = self.larger("4/4"), self.larger("3/4"), self.larger("1/4")
        assert exchanging.list_larger(violin) == [next_one, whole]

    @pytest.mark.parametrize(("size", "offered"), [("1/2", True), ("4/4", False)])
    def test_is_offered_while_there_is_a_larger_size(self, size, offered):
        violin = rental(months=1, plan_version=shop(), item=CatalogueItemFactory(kind_code="violin", size=size))
        assert panel.FITS[Move.SIZE_UP](violin, (), violin.starts_on) is offered

    def test_follows_by_size_up(self, violin):
        event = do(violin, swap(self.larger("3/4"), Move.SIZE_UP))
        assert (event.kind, event.agreement.follows_by, event.agreement.item.size) == ("sized_up", "size_up", "3/4")
        assert Agreement.objects.get(pk=violin.pk).end_reason == "exchanged"

    @pytest.mark.parametrize("size", ["1/4", "1/2"])
    def test_refuses_one_that_is_not_larger(self, violin, size):
        with pytest.raises(exchanging.NotALargerOneError):
            do(violin, swap(self.larger(size), Move.SIZE_UP))


class TestReinstate:
    @pytest.fixture
    def returned(self):
        """Returned on March 10 under a plan whose credit lives three months, 60.00 of rent paid, at prices of then."""
        agreement = rental(months=2, plan_version=shop(credit_lives_months=3), monthly_rent=D("27.00"))
        back = leaving.GivenBack(TODAY, condition())
        leaving.take_back(agreement=agreement, back=back, sent=sent(agreement), **who())
        return Agreement.objects.get(pk=agreement.pk)

    def take_up(self, agreement, instrument=None, on=datetime.date(2026, 4, 1), **people):
        wanted = reinstating.TakeUp(instrument or unit_of(agreement), True, SIGNED)
        facts = who(today=on, now=datetime.datetime.combine(on, NOW.timetz()), **people)
        return reinstating.reinstate(agreement=agreement, wanted=wanted, sent=sent(agreement), **facts)

    def test_goes_on_at_the_terms_as_signed_with_its_credit(self, returned):
        new = self.take_up(returned).agreement
        assert (new.follows_by, new.monthly_rent.amount, new.plan_version) == ("reinstatement", D("27.00"), returned.plan_version)
        assert new.purchase_price == returned.purchase_price
        # 54.00 before; the 6.50 the family had on account pays a part of the new first month.
        assert queries.sum_rental_credit(new.pk).credit == D("60.50")
        first = Charge.objects.get(agreement=new)
        assert (first.period_begins_on, first.lines.first().amount) == (datetime.date(2026, 4, 1), D("27.00"))
        assert fleet.get_whereabouts(unit_of(new)).place == "family"
        clean()

    def test_takes_one_like_it(self, returned):
        other = InstrumentFactory(item=returned.item)
        assert reinstating.list_like_it(returned)[0] == unit_of(returned)
        assert unit_of(self.take_up(returned, other).agreement) == other

    def test_is_possible_through_the_last_day_and_not_after(self, returned):
        with pytest.raises(reinstating.TooLateError, match="until Jun 10, 2026"):
            self.take_up(returned, on=datetime.date(2026, 6, 11))
        assert self.take_up(returned, on=datetime.date(2026, 6, 10)).kind == "reinstated"

    def test_refuses_another_kind(self, returned):
        with pytest.raises(reinstating.NotLikeItError):
            self.take_up(returned, flute())

    def test_refuses_twice(self, returned):
        new = self.take_up(returned).agreement
        with pytest.raises(reinstating.TakenUpAlreadyError, match=new.number):
            self.take_up(returned, InstrumentFactory(item=returned.item))

    def test_wants_what_was_due_paid_first_unless_a_manager_agrees(self, returned):
        charges.charge_fee(
            household=returned.household,
            on=TODAY,
            description="Bow rehair",
            amount=D("60.00"),
            acting_user=who()["acting_user"],
            now=NOW,
        )
        with pytest.raises(reinstating.StillOwingError):
            self.take_up(returned)
        assert self.take_up(returned, acting_user=ManagerFactory()).kind == "reinstated"

    def test_is_not_possible_while_it_runs(self):
        agreement = rental(plan_version=shop())
        with pytest.raises(MoveNotPossibleError):
            self.take_up(agreement)

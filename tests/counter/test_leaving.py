"""Taking an instrument back, and what is owed when it is lost: worked tables a bookkeeper can read, and the refusals."""

import datetime
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from billing import queries, verify
from billing.models import Charge
from rentals.agreements.models import Agreement, AgreementHold, LifeEvent, LossReport, ReturnCheck
from rentals.agreements.moves import MoveNotPossibleError
from rentals.counter.life import ends, leaving
from rentals.documents.models import Document
from rentals.inventory import operations as inventory
from rentals.inventory import queries as fleet
from rentals.inventory.models import Instrument, WorkOrder
from tests.counter.leaving import NOW, TODAY, condition, pay, rental, sent, shop, unit_of, who, with_loaner
from tests.inventory.factories import LocationFactory, ProductFactory

D = Decimal
pytestmark = pytest.mark.django_db


def clean() -> None:
    """The invariants of money."""
    assert [
        (check.title, found) for check, found in verify.run_checks() if found and check.invariant in {1, 2, 4, 5, 6, 7, 8}
    ] == []


def take_back(agreement, key=None, on=TODAY, shown=None, **found):
    back = leaving.GivenBack(on, condition(**found), shown)
    return leaving.take_back(agreement=agreement, back=back, sent=key or sent(agreement), **who())


def lose(agreement, kind="lost", key=None, **changes):
    loss = leaving.Loss(**{"kind": kind, "happened_on": TODAY, **changes})
    return leaving.report_loss(agreement=agreement, loss=loss, sent=key or sent(agreement), **who())


# Two months billed and paid (January 31 and February 28, 37.89 each: 30.00, tax 2.48, protection 5.00, tax 0.41), brought back on
# a day; what the family then owes (negative: has on account). By days: March is cut to its days, 31 in all.
# The arithmetic is common practice, no source.
RETURNS = [
    # plan                                   came back on  owes afterwards  why
    ({}, "2026-03-10", "0.00", "the month begun is not given back"),
    ({}, "2026-02-28", "-37.89", "a month that begins that day is owed no more"),
    ({}, "2026-01-31", "-37.89", "the first month is owed in any case"),
    ({"part_month": "days"}, "2026-03-10", "-25.67", "10 of 31 days: 9.68, tax 0.80, 1.61, tax 0.13, so 12.22 of 37.89"),
    ({"part_month": "days"}, "2026-03-30", "-1.23", "30 of 31 days: 29.03, tax 2.39, 4.84, tax 0.40, so 36.66"),
    ({"part_month": "days"}, "2026-03-01", "-36.67", "1 of 31 days: 0.97, tax 0.08, 0.16, tax 0.01, so 1.22"),
    ({"part_month": "days"}, "2026-02-28", "-37.89", "nothing of a month that begins that day"),
    ({"part_month": "days"}, "2026-01-31", "-74.43", "one day of the first month, 28 days: 1.07, tax 0.09, 0.18, tax 0.01"),
]


class TestTakeBack:
    @pytest.mark.parametrize(("plan", "on", "owes", "why"), RETURNS)
    def test_brings_the_rent_to_what_the_plan_says(self, plan, on, owes, why):
        agreement = rental(months=2, plan_version=shop(**plan))
        day = datetime.date.fromisoformat(on)
        told = leaving.preview_return(
            agreement, leaving.GivenBack(day, condition()), **who(today=max(day, TODAY), now=NOW + datetime.timedelta(days=20))
        )
        back = leaving.GivenBack(day, condition(), told.outcome.total)
        leaving.take_back(
            agreement=agreement,
            back=back,
            sent=sent(agreement),
            **who(today=max(day, TODAY), now=NOW + datetime.timedelta(days=20)),
        )
        assert (queries.sum_balance(agreement.household_id), why) == (D(owes), why)
        assert told.outcome.balance == D(owes)
        clean()

    def test_ends_it_and_puts_the_instrument_on_the_shelf_with_its_condition(self):
        agreement = rental(months=2, plan_version=shop())
        event = take_back(agreement, grade="worn", note="Scratches at the bell")
        check, unit = ReturnCheck.objects.get(), unit_of(agreement)
        assert Agreement.objects.get(pk=agreement.pk).end_reason == "returned"
        assert (check.grade, check.note, check.missing) == ("worn", "Scratches at the bell", [])
        assert Instrument.objects.get(pk=unit.pk).grade == "worn"
        assert fleet.get_whereabouts(unit).place == "shelf"
        assert (event.kind, event.note) == (LifeEvent.Kind.RETURNED, f"{unit.asset_tag}, worn. Scratches at the bell")

    def test_sends_it_to_the_bench_where_something_is_wrong(self):
        agreement = rental(plan_version=shop())
        take_back(agreement, problem="The low keys stick")
        assert fleet.get_whereabouts(unit_of(agreement)).place == "bench"
        assert WorkOrder.objects.get().problem == "The low keys stick"

    def test_bills_missing_parts_with_their_tax(self):
        agreement = rental(months=2, plan_version=shop())
        take_back(agreement, missing=(ends.Missing("Case", D("79.95")), ends.Missing("Ligature", D("0"))))
        sale = Charge.objects.get(kind="sale")
        assert [line.amount for line in sale.lines.order_by("position")] == [D("79.95"), D("6.60")]
        assert ReturnCheck.objects.get().missing == [["Case", "79.95"], ["Ligature", "0.00"]]

    def test_gives_a_receipt_with_the_bill_the_account_and_the_credit(self):
        agreement = rental(months=2, plan_version=shop(credit_lives_months=12))
        take_back(agreement, missing=(ends.Missing("Case", D("79.95")),))
        page = Document.objects.get(kind="return_receipt").payload["page"]
        assert page["total"] == "86.55"
        assert any("$86.55 owed" in sentence for sentence in page["sentences"])
        assert any("$60.00 waits until Mar 10, 2027" in sentence for sentence in page["sentences"])

    def test_bills_rent_to_the_end_of_the_minimum_term(self):
        agreement = rental(months=2, plan_version=shop(), minimum_until=datetime.date(2026, 6, 1))
        told = leaving.preview_return(agreement, leaving.GivenBack(TODAY, condition()), **who())
        # Paid through March 30; April and May whole (from March 31 and April 30), then May 31: 1 of 30 days.
        assert told.minimum_rent == D("61.00")
        take_back(agreement, shown=told.outcome.total)
        assert queries.sum_balance(agreement.household_id) == D("61.00")
        assert Charge.objects.get(kind="fee").lines.get().description == "Rent to the end of the minimum term"

    def test_owes_no_minimum_rent_after_its_day(self):
        agreement = rental(months=2, plan_version=shop(), minimum_until=TODAY)
        take_back(agreement)
        assert not Charge.objects.filter(kind="fee").exists()

    def test_bills_nothing_that_a_hold_keeps_back(self):
        agreement = rental(months=1, plan_version=shop())
        AgreementHold.objects.create(
            agreement=agreement,
            kind="hold",
            from_on=datetime.date(2026, 2, 20),
            reason="In hospital",
            made_at=NOW,
            made_by=who()["acting_user"],
        )
        take_back(agreement)
        assert queries.sum_balance(agreement.household_id) == 0

    def test_takes_the_loaner_back_too(self):
        agreement = rental(plan_version=shop())
        loaner = with_loaner(agreement)
        take_back(agreement)
        assert fleet.get_whereabouts(loaner).place == "shelf"

    def test_leaves_one_on_the_bench_where_it_is(self):
        agreement, shelf = rental(plan_version=shop()), LocationFactory()
        inventory.open_work_order(
            instrument=unit_of(agreement), kind="repair", problem="Pad", location=shelf, acting_user=who()["acting_user"], now=NOW
        )
        take_back(agreement)
        assert fleet.get_whereabouts(unit_of(agreement)).place == "bench"

    def test_keeps_the_credit_for_as_long_as_the_plan_says(self):
        agreement = rental(months=2, plan_version=shop(credit_lives_months=3))
        take_back(agreement)
        assert queries.sum_rental_credit(agreement.pk, on=datetime.date(2026, 6, 10)).credit == D("60.00")
        assert queries.sum_rental_credit(agreement.pk, on=datetime.date(2026, 6, 11)).credit == 0

    def test_sent_again_takes_back_once(self):
        agreement = rental(plan_version=shop())
        key, person, back = sent(agreement), who(), leaving.GivenBack(TODAY, condition())
        first = leaving.take_back(agreement=agreement, back=back, sent=key, **person)
        assert leaving.take_back(agreement=agreement, back=back, sent=key, **person) == first

    @pytest.mark.parametrize(("on", "error"), [("2026-03-11", leaving.DayAheadError), ("2026-01-30", Exception)])
    def test_refuses_a_day_ahead_or_before_it_began(self, on, error):
        agreement = rental(plan_version=shop())
        with pytest.raises(error):
            take_back(agreement, on=datetime.date.fromisoformat(on))
        assert Agreement.objects.get(pk=agreement.pk).is_open

    def test_refuses_figures_that_are_not_the_ones_shown(self):
        agreement = rental(plan_version=shop())
        with pytest.raises(ends.FiguresChangedError):
            take_back(agreement, shown=D("0.00"))

    def test_says_what_is_possible_of_one_that_came_back(self):
        agreement = rental(plan_version=shop())
        take_back(agreement)
        with pytest.raises(MoveNotPossibleError, match="What can be done: write it off"):
            take_back(agreement)

    def test_offers_parts_at_the_catalogues_price(self):
        ProductFactory(name="Clarinet mouthpiece", price="32.00")
        assert ends.price_parts("woodwind")[1] == ends.Missing("Mouthpiece or head joint", D("32.00"))
        assert ends.price_parts("woodwind")[0] == ends.Missing("Case", D("0"))


# What a family answers for: replacement value 850.00, deductible 50.00. Common practice, no source.
LOSSES = [
    # kind       protected  police report  covered  owed      is_protected
    ("lost", True, "", True, "50.00", True),
    ("lost", True, "", False, "850.00", False),
    ("lost", False, "", True, "850.00", False),
    ("stolen", True, "26-1187", True, "50.00", True),
    ("stolen", True, "", True, "850.00", False),
    ("stolen", True, "  ", True, "850.00", False),
    ("stolen", False, "26-1187", True, "850.00", False),
    ("destroyed", True, "", True, "50.00", True),
    ("destroyed", False, "", True, "850.00", False),
]


class TestReportLoss:
    @pytest.mark.parametrize(("kind", "protected", "police", "covered", "owed", "is_protected"), LOSSES)
    def test_bills_what_the_family_answers_for(self, kind, protected, police, covered, owed, is_protected):
        agreement = rental(plan_version=shop(deductible="50.00"), protection=protected)
        told, outcome = leaving.preview_loss(
            agreement, leaving.Loss(kind, TODAY, police_report_number=police, is_covered=covered), **who()
        )
        lose(agreement, kind, police_report_number=police, is_covered=covered, shown=outcome.total)
        report = LossReport.objects.get()
        assert (report.owed.amount, report.is_protected, told.owed) == (D(owed), is_protected, D(owed))
        line = Charge.objects.get(kind="loss").lines.get()
        assert (line.kind, line.is_tax, line.amount) == ("loss", False, D(owed))
        clean()

    @pytest.mark.parametrize(("kind", "place"), [("lost", "lost"), ("stolen", "lost"), ("destroyed", "retired")])
    def test_ends_it_and_the_instrument_leaves_the_fleet(self, kind, place):
        agreement = rental(plan_version=shop())
        event = lose(agreement, kind, police_report_number="26-1")
        assert Agreement.objects.get(pk=agreement.pk).end_reason == kind
        assert fleet.get_whereabouts(unit_of(agreement)).place == place
        assert event.kind == LifeEvent.Kind.LOST
        assert Document.objects.get(kind="loss_report").payload["page"]["total"] is not None

    def test_bills_nothing_where_protection_leaves_no_deductible(self):
        agreement = rental(plan_version=shop(deductible="0"))
        lose(agreement)
        assert not Charge.objects.filter(kind="loss").exists()
        assert LossReport.objects.get().owed.amount == 0

    def test_uses_the_credit_for_nothing(self):
        agreement = rental(months=2, plan_version=shop())
        lose(agreement)
        assert queries.sum_rental_credit(agreement.pk).credit == 0

    def test_counts_protection_of_the_day_it_happened(self):
        agreement = rental(plan_version=shop(), protection=False)
        assert not leaving.had_protection(agreement, TODAY)

    def test_refuses_a_day_ahead(self):
        with pytest.raises(leaving.DayAheadError):
            lose(rental(plan_version=shop()), happened_on=TODAY + datetime.timedelta(days=1))

    def test_sent_again_is_written_down_once(self):
        agreement = rental(plan_version=shop())
        key, person, loss = sent(agreement), who(), leaving.Loss("lost", TODAY)
        first = leaving.report_loss(agreement=agreement, loss=loss, sent=key, **person)
        assert leaving.report_loss(agreement=agreement, loss=loss, sent=key, **person) == first

    def test_the_database_refuses_a_covered_theft_without_its_police_report(self):
        agreement = rental(plan_version=shop())
        facts = {"kind": "stolen", "happened_on": TODAY, "is_protected": True, "owed": 0, "made_at": NOW}
        with pytest.raises(IntegrityError, match="covered_theft_has_a_police_report"), transaction.atomic():
            LossReport.objects.create(agreement=agreement, instrument=unit_of(agreement), made_by=who()["acting_user"], **facts)

    def test_can_be_paid_and_leaves_the_account_even(self):
        agreement = rental(months=2, plan_version=shop(), protection=False)
        pay(agreement, "839.18")
        lose(agreement)
        assert queries.sum_balance(agreement.household_id) == 0

"""What a running agreement may go through: what becomes true, what is refused, and what happens when it is sent twice."""

import datetime
import uuid
from decimal import Decimal

import pytest

from rentals.agreements import errors, life, periods
from rentals.agreements.changes import holds, people, terms, transfer, void
from rentals.agreements.life import AgreementMovedOnError, Sent
from rentals.agreements.models import Agreement, AgreementHold, AgreementUnit, LifeEvent, PayerShare, Signature
from rentals.agreements.moves import MoveNotPossibleError
from rentals.documents.models import Document, OutboxMessage
from rentals.inventory import queries as fleet
from rentals.inventory.models import Instrument
from rentals.staff.operations import RequestKeyReusedError
from tests.agreements.factories import AgreementFactory, OfficeFactory, PlanVersionFactory, RateFactory
from tests.factories import SpecialistFactory
from tests.families.factories import GuardianFactory, HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.schools.factories import ProgrammeFactory

TODAY = datetime.date(2026, 2, 10)
NOW = datetime.datetime(2026, 2, 10, 17, 0, tzinfo=datetime.UTC)
D = datetime.date

pytestmark = pytest.mark.django_db


@pytest.fixture
def agreement():
    """Signed on January 31, rent 30.00 and protection 5.00; nothing billed here, so period 1 (February 28) is free."""
    OfficeFactory()
    return AgreementFactory(unit=True)


@pytest.fixture
def who():
    return {"acting_user": SpecialistFactory(name="Rosa Lind"), "now": NOW, "today": TODAY}


def sent(agreement=None, signer="Alex Sample") -> Sent:
    return Sent(uuid.uuid4(), life.last_seen(agreement) if agreement else None, signer)


def letter(event) -> dict:
    """What the letter about an event shows."""
    return Document.objects.get(key=f"agreement/{event.agreement_id}/event/{event.pk}").payload["page"]


def bills(agreement, numbers=range(4)) -> list[tuple[datetime.date, str, str]]:
    segments = life.list_segments(agreement)
    shown = (periods.period_at(segments, n) for n in numbers)
    return [(each.begins_on, str(each.rent), str(each.protection)) for each in shown]


class TestChangeDueDay:
    def test_makes_a_bridge_of_actual_days_and_then_months_of_the_new_day(self, agreement, who):
        """By actual days, common practice, no source: 15 of the 31 days from February 28 to March 31."""
        event = terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=sent(), **who)
        assert bills(agreement) == [
            (D(2026, 1, 31), "30.00", "5.00"),
            (D(2026, 2, 28), "14.52", "2.42"),
            (D(2026, 3, 15), "30.00", "5.00"),
            (D(2026, 4, 15), "30.00", "5.00"),
        ]
        assert (event.kind, event.note) == ("due_day", "To day 15 of the month, from Mar 15, 2026")

    def test_is_told_to_the_family_with_bridge_days_and_signature(self, agreement, who):
        event = terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=sent(), **who)
        page = letter(event)
        assert "15 of 31 days" in page["paragraphs"][0]
        assert "$16.94" in page["paragraphs"][0]
        assert page["signer"] == "Alex Sample"
        assert OutboxMessage.objects.get(about=f"agreement/{agreement.pk}").to_address == agreement.guardian.email

    def test_shows_the_bridge_after_an_introduction_never_in_its_place(self):
        """27 of the 31 days from August 6, of one month's 10.01. Common practice, no source."""
        prices = {"rent": Decimal("10.01"), "protection": Decimal(0)}
        signed = periods.first_segments(starts_on=D(2026, 5, 6), intro_months=3, **prices)
        shown = terms.preview_due_day(signed, 0, 2)
        assert (shown.bridge.begins_on, shown.bridge.until_on, str(shown.bridge.rent)) == (D(2026, 8, 6), D(2026, 9, 2), "8.72")
        assert (shown.first.begins_on, str(shown.first.rent)) == (D(2026, 9, 2), "10.01")
        assert str(periods.period_at(shown.segments, 0).rent) == "30.03"

    def test_sent_again_gives_the_same_answer_and_makes_nothing(self, agreement, who):
        once = sent(agreement)
        first = terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=once, **who)
        assert terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=once, **who) == first
        assert Document.objects.count() == 1
        with pytest.raises(RequestKeyReusedError):
            terms.change_due_day(agreement=agreement, due_day=16, from_period=1, sent=once, **who)

    def test_refuses_the_day_it_is(self, agreement, who):
        terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=sent(), **who)
        with pytest.raises(terms.DueDayAlreadyError, match="day 15"):
            terms.change_due_day(agreement=agreement, due_day=15, from_period=2, sent=sent(), **who)

    def test_refuses_when_somebody_was_faster_and_says_what_they_did(self, agreement, who):
        seen = sent(agreement)
        holds.put_on_hold(agreement=agreement, reason="Away", sent=sent(), **who)
        with pytest.raises(AgreementMovedOnError, match="Rosa Lind") as caught:
            terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=seen, **who)
        assert [event.kind for event in caught.value.events] == ["held"]
        assert bills(agreement)[1][0] == D(2026, 2, 28)

    def test_refuses_on_hold_and_says_what_is_possible(self, agreement, who):
        holds.put_on_hold(agreement=agreement, reason="Away", sent=sent(), **who)
        with pytest.raises(MoveNotPossibleError, match="let billing go on"):
            terms.change_due_day(agreement=agreement, due_day=15, from_period=1, sent=sent(), **who)


class TestProtection:
    @pytest.fixture
    def bare(self):
        OfficeFactory()
        agreement = AgreementFactory(protection=False, unit=True)
        RateFactory(kind=agreement.item.kind, monthly_protection=Decimal("6.50"))
        return agreement

    def test_added_is_billed_from_the_first_free_period_on(self, bare, who):
        event = terms.add_protection(agreement=bare, price=Decimal("6.50"), from_period=1, sent=sent(), **who)
        assert bills(bare, range(3)) == [
            (D(2026, 1, 31), "30.00", "0.00"),
            (D(2026, 2, 28), "30.00", "6.50"),
            (D(2026, 3, 31), "30.00", "6.50"),
        ]
        page = letter(event)
        assert [line["label"] for line in page["after"]] == ["Rent", "Protection"]
        assert [line["label"] for line in page["before"]] == ["Rent"]

    def test_covers_from_that_period_on_and_not_before(self, bare, who):
        terms.add_protection(agreement=bare, price=Decimal("6.50"), from_period=1, sent=sent(), **who)
        assert not life.is_protected(bare, D(2026, 2, 27))
        assert life.is_protected(bare, D(2026, 2, 28))

    def test_refuses_a_price_that_is_no_longer_the_rate_cards(self, bare, who):
        with pytest.raises(errors.TermsChangedError):
            terms.add_protection(agreement=bare, price=Decimal("5.00"), from_period=1, sent=sent(), **who)
        assert life.list_segments(bare)[-1].protection == 0

    @pytest.mark.parametrize(("grade", "price"), [("new", "6.50"), ("good", "4.00")])
    def test_costs_what_the_rate_card_says_for_the_instruments_condition(self, who, grade, price):
        agreement = AgreementFactory(protection=False, unit=True)
        Instrument.objects.filter(pk=agreement.units.get().instrument_id).update(grade=grade)
        for day, (condition, amount) in enumerate((("new", "6.50"), ("returned", "4.00")), 1):
            RateFactory(
                kind=agreement.item.kind,
                monthly_protection=Decimal(amount),
                condition=condition,
                effective_from=D(2020, 1, day),
            )
        assert terms.get_protection_price(agreement, TODAY) == Decimal(price)

    def test_refuses_where_the_rate_card_offers_none(self, who):
        agreement = AgreementFactory(protection=False)
        RateFactory(kind=agreement.item.kind, monthly_protection=Decimal("0.00"))
        with pytest.raises(terms.ProtectionNotOfferedError):
            terms.add_protection(agreement=agreement, price=Decimal("0.00"), from_period=1, sent=sent(), **who)

    def test_refuses_what_is_so_already(self, agreement, bare, who):
        with pytest.raises(terms.ProtectionAlreadyError, match="has protection"):
            terms.add_protection(agreement=agreement, price=Decimal("5.00"), from_period=1, sent=sent(), **who)
        with pytest.raises(terms.ProtectionAlreadyError, match="without"):
            terms.drop_protection(agreement=bare, from_period=1, sent=sent(), **who)

    def test_dropped_ends_with_the_last_billed_period(self, agreement, who):
        event = terms.drop_protection(agreement=agreement, from_period=1, sent=sent(), **who)
        assert [line[2] for line in bills(agreement, range(3))] == ["5.00", "0.00", "0.00"]
        assert "$" in letter(event)["paragraphs"][1]

    def test_refuses_to_drop_what_the_plan_requires(self, who):
        agreement = AgreementFactory(plan_version=PlanVersionFactory(number=2, protection_required=True))
        with pytest.raises(terms.ProtectionRequiredError, match="requires protection"):
            terms.drop_protection(agreement=agreement, from_period=1, sent=sent(), **who)


class TestHolds:
    def test_a_hold_keeps_its_reason_and_tells_the_family(self, agreement, who):
        event = holds.put_on_hold(agreement=agreement, reason="Student in hospital", sent=sent(), **who)
        hold = AgreementHold.objects.get()
        assert (hold.kind, hold.from_on, hold.until_on, hold.reason) == ("hold", TODAY, None, "Student in hospital")
        assert life.state_of(agreement) == "on_hold"
        assert "no rent is billed" in letter(event)["paragraphs"][0]

    @pytest.mark.parametrize(("is_forgiven", "words"), [(True, "forgiven"), (False, "billed later")])
    def test_lifted_it_says_what_becomes_of_the_months_between(self, agreement, who, is_forgiven, words):
        """February 28 and March 31 began meanwhile: two months of 35.00."""
        holds.put_on_hold(agreement=agreement, reason="Away", sent=sent(), **who)
        later = {**who, "today": D(2026, 4, 10), "now": NOW + datetime.timedelta(days=59)}
        event = holds.lift_hold(agreement=agreement, is_forgiven=is_forgiven, sent=sent(), **later)
        assert event.note == f"2 months, $70.00: {words}"
        hold = AgreementHold.objects.get()
        assert (hold.until_on, hold.is_forgiven) == (D(2026, 4, 10), is_forgiven)
        assert life.state_of(agreement) == "running"

    def test_lifted_on_the_same_day_skips_nothing(self, agreement, who):
        holds.put_on_hold(agreement=agreement, reason="Mistake", sent=sent(), **who)
        assert holds.lift_hold(agreement=agreement, is_forgiven=False, sent=sent(), **who).note == "No month was skipped"

    def test_the_month_that_begins_on_the_day_of_lifting_is_billed_as_ever(self, agreement):
        segments = life.list_segments(agreement)
        skipped = holds.skipped_by(segments, D(2026, 2, 28), D(2026, 3, 31))
        assert [each.begins_on for each in skipped.periods] == [D(2026, 2, 28)]

    def test_a_recall_demands_it_back_by_letter_and_ends_a_hold(self, agreement, who):
        holds.put_on_hold(agreement=agreement, reason="Away", sent=sent(), **who)
        later = {**who, "today": D(2026, 3, 10)}
        event = holds.recall_agreement(agreement=agreement, reason="No answer.", past_due=Decimal("105.00"), sent=sent(), **later)
        assert life.state_of(agreement) == "recalled"
        assert [(hold.kind, hold.until_on) for hold in AgreementHold.objects.order_by("pk")] == [
            ("hold", D(2026, 3, 10)),
            ("recall", None),
        ]
        assert event.detail == {"past_due": "105.00", "back_by": "2026-03-24"}
        assert "$105.00 of your account is past due" in " ".join(letter(event)["opening"])
        assert Document.objects.get(key__endswith=f"event/{event.pk}").kind == "recall"

    def test_a_family_that_reads_spanish_is_told_in_spanish(self, agreement, who):
        agreement.household.language = "es"
        agreement.household.save()
        event = holds.recall_agreement(agreement=agreement, reason="No answer.", past_due=Decimal("105.00"), sent=sent(), **who)
        page, message = letter(event), OutboxMessage.objects.get(key__endswith=f"event/{event.pk}")
        assert page["title"] == "Por favor, devuelva el instrumento"
        assert any(each.startswith("$105.00 de su cuenta están vencidos") for each in page["opening"])
        assert page["in_english"] is False
        assert message.subject == f"Por favor, devuelva el instrumento: contrato {agreement.number}"
        assert message.body.startswith("Hola, ")
        assert event.note.startswith("No answer.; $105.00 past due")  # the office's own line

    def test_a_recall_is_lifted_only_as_a_recall(self, agreement, who):
        holds.recall_agreement(agreement=agreement, reason="No answer.", past_due=Decimal("35.00"), sent=sent(), **who)
        with pytest.raises(MoveNotPossibleError, match="lift the recall"):
            holds.lift_hold(agreement=agreement, is_forgiven=False, sent=sent(), **who)
        event = holds.lift_recall(agreement=agreement, is_forgiven=False, sent=sent(), **who)
        assert (event.kind, life.state_of(agreement)) == ("recall_lifted", "running")


class TestChangeSchool:
    def test_lists_the_student_with_the_new_school_and_leaves_the_agreement(self, agreement, who):
        programme = ProgrammeFactory()
        event = people.change_school(agreement=agreement, programme=programme, sent=sent(), **who)
        agreement.refresh_from_db()
        assert (agreement.student.programme, agreement.programme) == (programme, None)
        assert str(programme) in event.note
        assert str(programme) in letter(event)["paragraphs"][0]

    def test_refuses_the_school_it_is(self, agreement, who):
        with pytest.raises(people.SameSchoolError):
            people.change_school(agreement=agreement, programme=None, sent=sent(), **who)


class TestSharePayments:
    @pytest.fixture
    def two(self, agreement):
        return agreement.guardian, GuardianFactory(household=agreement.household, given_name="Robin", is_primary=False)

    def test_writes_the_shares_from_a_day_on(self, agreement, two, who):
        event = people.share_payments(agreement=agreement, shares=((two[0], 60), (two[1], 40)), from_on=TODAY, sent=sent(), **who)
        assert [(share.guardian, share.weight) for share in people.list_shares(agreement)] == [(two[0], 60), (two[1], 40)]
        assert "60%" in event.note
        assert letter(event)["signer"] == "Alex Sample"

    def test_a_mistake_of_the_day_is_put_right_on_the_same_day(self, agreement, two, who):
        people.share_payments(agreement=agreement, shares=((two[0], 60), (two[1], 40)), from_on=TODAY, sent=sent(), **who)
        people.share_payments(agreement=agreement, shares=((two[0], 50), (two[1], 50)), from_on=TODAY, sent=sent(), **who)
        assert [share.weight for share in people.list_shares(agreement)] == [50, 50]
        assert PayerShare.objects.filter(until_on=TODAY).count() == 2

    def test_no_shares_end_it(self, agreement, two, who):
        people.share_payments(agreement=agreement, shares=((two[0], 60), (two[1], 40)), from_on=TODAY, sent=sent(), **who)
        people.share_payments(agreement=agreement, shares=(), from_on=D(2026, 3, 1), sent=sent(), **who)
        assert people.list_shares(agreement) == []
        with pytest.raises(people.NotSharedError):
            people.share_payments(agreement=agreement, shares=(), from_on=TODAY, sent=sent(), **who)

    def test_refuses_to_begin_before_the_arrangement_before_has_ended(self, agreement, two, who):
        people.share_payments(agreement=agreement, shares=((two[0], 60), (two[1], 40)), from_on=TODAY, sent=sent(), **who)
        people.share_payments(agreement=agreement, shares=(), from_on=D(2026, 3, 1), sent=sent(), **who)
        half = ((two[0], 50), (two[1], 50))
        with pytest.raises(people.SharedUntilError, match="Mar 1"):
            people.share_payments(agreement=agreement, shares=half, from_on=D(2026, 2, 20), sent=sent(), **who)
        people.share_payments(agreement=agreement, shares=half, from_on=D(2026, 3, 1), sent=sent(), **who)

    @pytest.mark.parametrize("weights", [(60, 30), (60, 50), (100,)])
    def test_refuses_less_and_more_than_the_whole(self, agreement, two, who, weights):
        shares = tuple(zip(two, weights, strict=False))
        with pytest.raises(people.SharesNotWholeError):
            people.share_payments(agreement=agreement, shares=shares, from_on=TODAY, sent=sent(), **who)

    def test_refuses_a_guardian_of_another_household(self, agreement, two, who):
        other = HouseholdFactory().guardians.get()
        with pytest.raises(errors.NotOfThisHouseholdError):
            people.share_payments(agreement=agreement, shares=((two[0], 50), (other, 50)), from_on=TODAY, sent=sent(), **who)


class TestTransfer:
    def transferred(self, agreement, guardian, who) -> Agreement:
        event = transfer.transfer_agreement(agreement=agreement, to=transfer.Takeover(guardian, 1), sent=sent(), **who)
        return event.agreement

    def test_each_household_is_told_in_its_own_language(self, agreement, who):
        """What the new guardian signed stays English, and its mail says so in Spanish; the one before is told in Spanish."""
        for household in (agreement.household, taking := HouseholdFactory()):
            household.language = "es"
            household.save()
        made = self.transferred(agreement, taking.guardians.get(), who)
        before, after = (OutboxMessage.objects.get(about=f"agreement/{each.pk}", kind="addendum") for each in (agreement, made))
        assert before.subject == f"Su contrato fue traspasado: contrato {agreement.number}"
        assert "se hizo cargo de este alquiler el " in before.body
        assert after.subject == f"Traspaso del contrato: contrato {made.number}"
        assert "solo el texto en inglés cuenta" in after.body
        assert f"takes over agreement {agreement.number}" in after.body
        for message in (before, after):
            assert message.language == "es"
            assert message.body.startswith("Hola, ")
            assert "Dear" not in message.body and "The same is attached" not in message.body
        told = Document.objects.get(pk=before.document_id).payload["page"]
        assert told["in_english"] is False

    def test_goes_on_at_the_prices_and_days_that_were_signed(self, agreement, who):
        RateFactory(kind=agreement.item.kind, monthly_rent=Decimal("99.00"))
        made = self.transferred(agreement, HouseholdFactory().guardians.get(), who)
        agreement.refresh_from_db()
        assert (agreement.end_reason, agreement.ended_on) == ("transferred", TODAY)
        assert (made.follows, made.follows_by, made.plan_version) == (agreement, "transfer", agreement.plan_version)
        assert (made.monthly_rent, made.purchase_price) == (agreement.monthly_rent, agreement.purchase_price)
        assert bills(made, range(2)) == [(D(2026, 2, 28), "30.00", "5.00"), (D(2026, 3, 31), "30.00", "5.00")]

    def test_takes_protection_as_it_is_by_now(self, agreement, who):
        terms.drop_protection(agreement=agreement, from_period=1, sent=sent(), **who)
        made = self.transferred(agreement, HouseholdFactory().guardians.get(), who)
        assert made.monthly_protection.amount == 0
        assert bills(made, range(1)) == [(D(2026, 2, 28), "30.00", "0.00")]

    def test_instrument_and_loaner_stay_out_and_are_the_new_households(self, agreement, who):
        loaner = InstrumentFactory(item=agreement.item, place="family", place__household=agreement.household)
        AgreementUnit.objects.create(agreement=agreement, instrument=loaner, role="loaner", began_at=agreement.signed_at)
        household = HouseholdFactory()
        made = self.transferred(agreement, household.guardians.get(), who)
        assert [(unit.role, unit.ended_at) for unit in made.units.order_by("role")] == [("loaner", None), ("rented", None)]
        for unit in made.units.all():
            assert fleet.get_whereabouts(unit.instrument).custody.household == household
        assert not agreement.units.filter(ended_at=None).exists()

    def test_the_student_goes_along_into_another_household(self, agreement, who):
        household = HouseholdFactory()
        made = self.transferred(agreement, household.guardians.get(), who)
        made.student.refresh_from_db()
        assert made.student == agreement.student
        assert made.student.household == household

    def test_the_new_guardian_signs_and_both_families_get_a_letter(self, agreement, who):
        household = HouseholdFactory()
        made = self.transferred(agreement, household.guardians.get(), who)
        assert Signature.objects.get(agreement=made).signer_name == "Alex Sample"
        assert {message.household for message in OutboxMessage.objects.all()} == {agreement.household, household}
        kinds = [event.kind for event in LifeEvent.objects.filter(agreement=made).order_by("pk")]
        assert kinds == ["signed", "transferred"]

    def test_within_the_household_nothing_moves_but_who_owes(self, agreement, who):
        other = GuardianFactory(household=agreement.household, given_name="Robin", is_primary=False)
        made = self.transferred(agreement, other, who)
        assert (made.household, made.guardian) == (agreement.household, other)
        assert fleet.get_whereabouts(made.units.get().instrument).custody.household == agreement.household

    def test_refuses_the_guardian_who_has_it(self, agreement, who):
        with pytest.raises(transfer.SameGuardianError):
            self.transferred(agreement, agreement.guardian, who)
        agreement.refresh_from_db()
        assert agreement.is_open

    def test_sent_again_gives_the_same_new_agreement(self, agreement, who):
        to, once = transfer.Takeover(HouseholdFactory().guardians.get(), 1), sent(agreement)
        first = transfer.transfer_agreement(agreement=agreement, to=to, sent=once, **who)
        assert transfer.transfer_agreement(agreement=agreement, to=to, sent=once, **who) == first
        assert Agreement.objects.count() == 2


class TestVoid:
    @pytest.fixture
    def today_signed(self, who):
        OfficeFactory()
        return AgreementFactory(unit=True, starts_on=TODAY, signed_at=NOW - datetime.timedelta(hours=1))

    def test_ends_it_as_void_with_its_instrument_on_the_shelf(self, today_signed, who):
        location = LocationFactory()
        event = void.void_agreement(agreement=today_signed, location=location, reason="Wrong family", sent=sent(), **who)
        today_signed.refresh_from_db()
        assert (today_signed.end_reason, today_signed.ended_on, event.note) == ("voided", TODAY, "Wrong family")
        here = fleet.get_whereabouts(today_signed.units.get().instrument)
        assert (here.place, here.custody.location) == ("shelf", location)

    def test_refuses_on_a_later_day(self, agreement, who):
        with pytest.raises(void.NotSignedTodayError, match="Take the instrument back"):
            void.void_agreement(agreement=agreement, location=LocationFactory(), reason="Late", sent=sent(), **who)

    def test_refuses_one_that_took_the_place_of_another(self, agreement, who):
        to = transfer.Takeover(HouseholdFactory().guardians.get(), 1)
        made = transfer.transfer_agreement(agreement=agreement, to=to, sent=sent(), **who).agreement
        with pytest.raises(void.TakesPlaceOfAnotherError, match=agreement.number):
            void.void_agreement(agreement=made, location=LocationFactory(), reason="Wrong", sent=sent(), **who)

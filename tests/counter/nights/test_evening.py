"""The lead's board and the closing sheet: figures, what stands in the way, what is kept."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import payments
from billing.models import Taking
from billing.taking import operations as taking
from rentals.agreements.models import NightSignUp, UnitPromise
from rentals.counter.nights.board import closing, queries, rules
from rentals.documents.models import Document
from rentals.runtime import clock
from schools import line
from schools.models import Night, NightStaff, NightUnit
from tests.agreements.factories import OfficeFactory
from tests.counter.cleaning_school import rent
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import NightFactory, NightUnitFactory

pytestmark = pytest.mark.django_db
OPENED = datetime.datetime(2026, 11, 30, 23, 0, tzinfo=datetime.UTC)
NOW = OPENED + datetime.timedelta(minutes=60)
TODAY = datetime.date(2026, 11, 30)


@pytest.fixture(autouse=True)
def the_evening(monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: NOW)
    monkeypatch.setattr(clock, "today", lambda: TODAY)


@pytest.fixture
def rosa():
    return SpecialistFactory(name="Rosa Delgado")


@pytest.fixture
def night(rosa):
    found = NightFactory(state="open", opened_at=OPENED, on=TODAY)
    NightStaff.objects.create(night=found, user=rosa, is_lead=True)
    return found


def sign_up(night, who, *, agreement=None, state=None, sequence=1, minutes=10):
    """One that arrived (with an agreement), or one that a person must look at."""
    state = state or ("arrived" if agreement else "attention")
    at = OPENED + datetime.timedelta(minutes=minutes)
    ends = {"arrived": {"agreement": agreement}, "attention": {"why": "The price changed.", "sealed": b"x"}}
    ends["discarded"] = {"resolved_at": at, "resolved_by": who, "discard_reason": "Twice"}
    words = {"night": night, "device": uuid.UUID(int=1), "sequence": sequence, "made_at": at, "received_at": at}
    words |= {"sent_by": who, "taken_by": who}
    return NightSignUp.objects.create(id=uuid.uuid4(), was_offline=False, pack="0" * 16, state=state, **words, **ends[state])


def unit(night, outcome="", minutes=0, **words):
    row = NightUnitFactory(night=night, loaded_at=OPENED, **words)
    if outcome:
        row.outcome, row.ended_at, row.ended_by = outcome, OPENED + datetime.timedelta(minutes=minutes), row.loaded_by
        row.save()
    return row


def promise(agreement, night, *, settled=False):
    at = {"settled_at": NOW, "settled_by": SpecialistFactory()} if settled else {}
    return UnitPromise.objects.create(
        agreement=agreement, night=night, item=agreement.item, why="Given out at another table.", made_at=OPENED, **at
    )


def by_name(sheet):
    return {row.name: row for row in sheet.lines}


class TestPace:
    @pytest.mark.parametrize(
        ("left", "after", "lasts"),
        [(3, [0, 15, 30, 45], 45), (0, [0, 20], 0), (5, [10], None), (5, [], None), (1, [0, 1], 30)],
    )
    def test_how_long_the_rest_lasts(self, left, after, lasts):
        given = [OPENED + datetime.timedelta(minutes=minute) for minute in after]
        assert rules.lasts_minutes(left=left, given=given, now=NOW) == lasts

    def test_minutes_to_go(self):
        at = datetime.datetime(2026, 11, 30, 18, 45, 30, tzinfo=datetime.UTC)
        assert rules.minutes_to_go(TODAY, datetime.time(20), at) == 75
        assert rules.minutes_to_go(TODAY, datetime.time(18), at) == 0


class TestBoard:
    def test_counts_what_came_in_and_what_is_left(self, night, rosa):
        first = rent(None)
        sign_up(night, rosa, agreement=first)
        sign_up(night, rosa, sequence=2)
        sign_up(night, rosa, sequence=3, state="discarded")
        item = unit(night, "given", 5).instrument.item
        unit(night, "given", 15, instrument=InstrumentFactory(item=item))
        unit(night, instrument=InstrumentFactory(item=item))
        seen = queries.get_evening(night, now=NOW)
        ups = seen.sign_ups
        assert (ups.arrived, ups.agreements, ups.attention, ups.discarded) == (3, 1, 1, 1)
        assert ups.people == (("Rosa Delgado", 1),)
        (row,) = seen.van
        assert (row.loaded, row.given, row.left, row.lasts) == (3, 2, 1, 27)

    def test_takings_are_those_of_the_books(self, night, rosa):
        agreement = rent(None)
        sign_up(night, rosa, agreement=agreement)
        assert queries.get_evening(night, now=NOW).unpaid == 1
        pay(agreement, rosa, "57.13")
        seen = queries.get_evening(night, now=NOW)
        assert (seen.cash, seen.cheques, seen.unpaid) == (Decimal("57.13"), Decimal(0), 0)
        assert seen.cash == queries.list_tills(night)[0].cash

    def test_fifty_of_everything_cost_as_much_as_one(self, client_as, night, rosa, django_assert_max_num_queries):
        pay(rent(None), rosa, "12.00")
        for number in range(50):
            sign_up(night, rosa, sequence=number)
            unit(night, loaded_by=rosa)
            line.report(night=night, device=uuid.uuid4(), waiting=1, attention=0, oldest_minutes=0, acting_user=rosa, now=NOW)
        client = client_as("specialist")
        with django_assert_max_num_queries(12):
            page = client.get(reverse("night_board", args=[night.pk]))
        assert page.status_code == 200
        with django_assert_max_num_queries(12):
            part = client.get(reverse("night_board", args=[night.pk]), headers={"HX-Request": "true"})
        assert "<html" not in part.text

    def test_opens_the_night(self, client_as):
        night = NightFactory()
        client_as("manager").post(reverse("night_open", args=[night.pk]))
        assert Night.objects.get(pk=night.pk).state == "open"


def pay(agreement, who, amount, method="cash"):
    return payments.record_payment(
        household=agreement.household,
        method=method,
        amount=Decimal(amount),
        cheque_number="101" if method == "cheque" else "",
        received_on=TODAY,
        request_key=uuid.uuid4(),
        acting_user=who,
        now=NOW,
    )


class TestSheet:
    def test_everything_agrees(self, night, rosa):
        first, second = rent(None), rent(None)
        sign_up(night, rosa, agreement=first)
        sign_up(night, rosa, agreement=second, sequence=2)
        unit(night, "given", 5)
        unit(night, "back", 50)
        promise(second, night, settled=True)
        sheet = closing.get_sheet(night, now=NOW)
        assert [(row.name, row.state) for row in sheet.lines if row.state != "good"] == []
        facts = dict(by_name(sheet)["Instruments"].facts)
        assert int(facts["Loaded"]) == int(facts["Given to families"]) + int(facts["Came back"]) + int(facts["Missing"])

    @pytest.mark.parametrize(("outcome", "promised"), [("given", 0), ("back", 1)])
    def test_a_promise_kept_from_the_van_counts_as_given_once(self, night, rosa, outcome, promised):
        agreement = rent(None)
        sign_up(night, rosa, agreement=agreement)
        row, kept = unit(night, outcome, 20), promise(agreement, night, settled=True)
        kept.given = row.instrument
        kept.save()
        line = by_name(closing.get_sheet(night, now=NOW))["Agreements and instruments"]
        assert (line.state, dict(line.facts)["Promised"]) == ("good", str(promised))

    def test_each_difference_is_named(self, night, rosa):
        agreement = rent(None)
        sign_up(night, rosa, agreement=agreement)
        sign_up(night, rosa, sequence=2)
        unit(night)
        unit(night, "missing", 50)
        line.report(night=night, device=uuid.UUID(int=7), waiting=2, attention=0, oldest_minutes=9, acting_user=rosa, now=NOW)
        pay(agreement, rosa, "57.13")
        rows = by_name(closing.get_sheet(night, now=NOW))
        assert {name: row.state for name, row in rows.items()} == {
            "Tablets": "bad",
            "Sign-ups": "warn",
            "Instruments": "bad",
            "Agreements and instruments": "warn",
            "Takings of Rosa Delgado": "warn",
            "First payments": "good",
            "Kits and goods sold": "good",
        }
        assert "2 sign-ups on tablet 0000" in rows["Tablets"].differs
        assert "1 agreement, but 0 given and 0 promised" in rows["Agreements and instruments"].differs

    def test_takings_counted_to_the_cent_agree(self, night, rosa):
        OfficeFactory()
        sign_up(night, rosa, agreement=(agreement := rent(None)))
        unit(night, "given", 5)
        pay(agreement, rosa, "57.00")
        day = Taking.objects.get()
        counted = taking.CountedDown(pieces={5000: 1, 500: 1, 100: 2}, cheques=frozenset(), reason="")
        taking.count_down(taking=day, counted=counted, acting_user=rosa, now=NOW)
        assert by_name(closing.get_sheet(night, now=NOW))["Takings of Rosa Delgado"].state == "good"


class TestCloseNight:
    def close(self, night, note="", at=NOW):
        return closing.close_night(night=night, note=note, acting_user=ManagerFactory(), now=at)

    def test_closes_once_and_keeps_the_sheet(self, night):
        document = self.close(night)
        assert self.close(night) == document
        assert Document.objects.get().kind == "night_closing"
        night.refresh_from_db()
        assert (night.state, night.ended_at) == ("closed", NOW)

    def test_nothing_may_be_along(self, night):
        unit(night)
        with pytest.raises(closing.NotReadyToCloseError, match="1 instrument still along"):
            self.close(night, note="never mind")
        assert Night.objects.get(pk=night.pk).state == "open"

    def test_a_tablet_that_holds_something_blocks_until_its_file_is_handed_over(self, night, rosa):
        said = {"waiting": 1, "attention": 0, "oldest_minutes": 1}
        tablet = line.report(night=night, device=uuid.uuid4(), **said, acting_user=rosa, now=NOW)
        with pytest.raises(closing.NotReadyToCloseError, match="did not reach the office"):
            self.close(night)
        line.hand_over(tablet=tablet, note="With Bea", acting_user=rosa, now=NOW)
        self.close(night)

    def test_what_differs_takes_a_sentence(self, night):
        unit(night, "missing", 5)
        with pytest.raises(closing.DifferencesNeedWordsError, match="instruments"):
            self.close(night)
        document = self.close(night, note="Behind the stage at eight.")
        assert document.payload["page"]["note"] == "Behind the stage at eight."

    def test_only_one_under_way(self):
        with pytest.raises(closing.NightNotOpenError):
            self.close(NightFactory())

    def test_what_arrives_later_is_listed(self, night, rosa, client_as):
        self.close(night)
        sign_up(night, rosa, agreement=rent(None), minutes=90)
        page = client_as("manager").get(reverse("night_closing", args=[night.pk]))
        assert "Arrived after closing" in page.text
        assert "1 sign-up came in after" in page.text


class TestClosingScreen:
    def test_says_what_stands_in_the_way_and_keeps_what_was_typed(self, client_as, night):
        unit(night)
        answer = client_as("manager").post(reverse("night_closing", args=[night.pk]), {"note": "All is well"})
        assert answer.status_code == 409
        assert "1 instrument still along" in answer.text
        assert "All is well" in answer.text

    def test_closes(self, client_as, night):
        answer = client_as("manager").post(reverse("night_closing", args=[night.pk]), follow=True)
        assert "The night is closed." in answer.text
        assert "The sheet as it was closed" in answer.text

    def test_hands_a_file_over(self, client_as, night, rosa):
        said = {"waiting": 1, "attention": 0, "oldest_minutes": 1}
        tablet = line.report(night=night, device=uuid.uuid4(), **said, acting_user=rosa, now=NOW)
        client = client_as("manager")
        assert "who has its file now?" in client.get(reverse("night_closing", args=[night.pk])).text
        client.post(reverse("night_hand_over", args=[night.pk, tablet.pk]), {"note": "Bea has the stick"})
        tablet.refresh_from_db()
        assert tablet.handed_over_note == "Bea has the stick"
        other = NightFactory()
        assert client.post(reverse("night_hand_over", args=[other.pk, tablet.pk]), {"note": "x"}).status_code == 404

    def test_missing_units_are_still_counted(self, night):
        unit(night, "missing", 5)
        assert NightUnit.objects.filter(outcome="missing").count() == 1
        assert queries.get_evening(night, now=NOW).count("missing") == 1

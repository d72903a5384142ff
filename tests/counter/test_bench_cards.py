"""Work by scan alone: what each printed card does, what is refused, and what is taken back."""

import datetime
import uuid

import pytest
from django.urls import reverse

from rentals.agreements import operations as agreements
from rentals.agreements.models import AgreementUnit
from rentals.counter.bench import cards
from rentals.inventory import commands, queries
from rentals.inventory.models import BenchRate, Instrument, WorkLine, WorkOrder
from rentals.inventory.rules import TAG_FORM
from rentals.runtime import clock
from rentals.runtime.money import money
from rentals.staff.operations import RequestKeyReusedError
from tests.counter.cleaning_school import instrument_of, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 9, 15, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture
def technician():
    return TechnicianFactory()


@pytest.fixture
def desk(technician):
    """Runs a card on an instrument, a minute after the last."""

    class Desk:
        now = NOW

        def __call__(self, card, unit, key=None):
            self.now += datetime.timedelta(minutes=1)
            fresh = Instrument.objects.get(pk=unit.pk)
            told = {"command": card, "instrument": fresh, "location": LocationFactory(), "key": key or uuid.uuid4()}
            return cards.run(**told, acting_user=technician, now=self.now)

        def undo(self, verdict):
            self.now += datetime.timedelta(minutes=1)
            return cards.undo(done=verdict, location=LocationFactory(), acting_user=technician, now=self.now)

    return Desk()


@pytest.fixture
def rate(technician):
    BenchRate.objects.create(
        from_on=datetime.date(2026, 1, 1),
        cost_per_hour=money("36.00"),
        price_per_hour=money("64.00"),
        set_at=NOW,
        set_by=technician,
    )


def place(unit):
    return queries.get_whereabouts(unit).place


def state(unit):
    return WorkOrder.objects.get(instrument=unit, closed_at=None).state


class TestCodes:
    def test_no_card_can_be_a_tag_nor_a_tag_a_card(self):
        for command in commands.COMMANDS:
            assert not TAG_FORM.fullmatch(command.code)
            assert commands.read_command(command.code) == command
        assert not commands.is_command("FL-1042")

    def test_each_is_long_enough_to_be_known_as_a_scan_and_short_enough_to_print(self):
        # The wedge takes six characters and more for a scan anywhere on a page; a Code 128 of twelve fills a card's width.
        assert all(6 <= len(command.code) <= 12 for command in commands.COMMANDS)
        assert len({command.code for command in commands.COMMANDS}) == len(commands.COMMANDS)

    @pytest.mark.parametrize("scanned", [".ready", "]C1.READY", "]Q3.Ready\r\n", " .READY\t"])
    def test_is_read_however_it_was_scanned(self, scanned):
        assert commands.read_command(scanned) == commands.READY

    @pytest.mark.parametrize("scanned", [".", "..READY", ".NOSUCH", "READY", "", "]"])
    def test_nothing_else_is_a_card(self, scanned):
        assert commands.read_command(scanned) is None


class TestRun:
    def test_a_whole_order_from_the_shelf_and_back(self, desk, rate):
        unit = InstrumentFactory()
        steps = [
            (commands.TAKE_IN, "look"),
            (commands.ON_BENCH, "bench"),
            (commands.PARTS, "parts"),
            (commands.ON_BENCH, "bench"),
            (commands.QUALITY, "check"),
            (commands.PASSED, "ready"),
        ]
        for card, wanted in steps:
            verdict = desk(card, unit)
            assert (verdict.tone, state(unit)) == ("good", wanted), verdict
        assert desk(commands.SHELF, unit).tone == "good"
        order = WorkOrder.objects.get(instrument=unit)
        assert (order.state, order.outcome, place(unit)) == ("done", "repaired", "shelf")

    def test_ready_from_the_bench_tests_and_passes_in_one(self, desk):
        unit = InstrumentFactory()
        for card in (commands.TAKE_IN, commands.ON_BENCH, commands.READY):
            assert desk(card, unit).tone == "good"
        order = WorkOrder.objects.get(instrument=unit)
        assert (order.state, order.outcome, order.quality_checks.count()) == ("ready", "repaired", 1)

    def test_minutes_add_up_on_the_order(self, desk, rate):
        unit = InstrumentFactory()
        desk(commands.TAKE_IN, unit)
        desk(commands.ON_BENCH, unit)
        for card in (commands.FIVE, commands.FIFTEEN, commands.THIRTY):
            verdict = desk(card, unit)
        assert verdict.more == "50 minutes on it so far."
        assert sum(line.minutes for line in WorkLine.objects.all()) == 50

    def test_minutes_without_a_rate_say_who_sets_it(self, desk):
        unit = InstrumentFactory()
        desk(commands.TAKE_IN, unit)
        verdict = desk(commands.FIVE, unit)
        assert verdict.tone == "bad"
        assert "manager" in verdict.more

    def test_back_to_the_family_names_the_loaner_that_is_still_out(self, desk, technician):
        agreement = rent(None)
        unit, spare = instrument_of(agreement), InstrumentFactory(item=agreement.item)
        desk(commands.TAKE_IN, unit)
        agreements.assign_loaner(agreement=agreement, instrument=spare, acting_user=technician, now=desk.now)
        desk(commands.ON_BENCH, unit)
        desk(commands.READY, unit)
        verdict = desk(commands.FAMILY, unit)
        assert (verdict.tone, place(unit)) == ("good", "family")
        assert spare.asset_tag in verdict.more
        assert desk(commands.SHELF, spare).words.startswith("Loaner back on the shelf")
        assert not AgreementUnit.objects.filter(instrument=spare, ended_at=None).exists()

    def test_what_a_family_rents_does_not_go_to_the_shelf(self, desk):
        unit = instrument_of(rent(None))
        desk(commands.TAKE_IN, unit)
        verdict = desk(commands.SHELF, unit)
        assert verdict.tone == "bad"
        assert place(unit) == "bench"
        assert state(unit) == "look"

    @pytest.mark.parametrize("card", [commands.ON_BENCH, commands.PARTS, commands.QUALITY, commands.PASSED, commands.FIVE])
    def test_without_an_order_it_says_what_to_scan_first(self, desk, card):
        verdict = desk(card, InstrumentFactory())
        assert (verdict.tone, verdict.more) == ("bad", "Scan “Take in” first.")

    def test_a_state_that_cannot_follow_is_told_with_those_that_can(self, desk):
        unit = InstrumentFactory()
        desk(commands.TAKE_IN, unit)
        verdict = desk(commands.QUALITY, unit)
        assert verdict.tone == "bad"
        assert "It can go to" in verdict.more

    def test_twice_is_said_and_does_nothing(self, desk):
        unit = InstrumentFactory()
        for card in (commands.TAKE_IN, commands.ON_BENCH, commands.CLEANED):
            desk(card, unit)
            assert desk(card, unit).tone == "info"
        assert WorkOrder.objects.filter(kind="cleaning").count() == 1

    def test_the_same_request_twice_is_one_act(self, desk, rate):
        unit, key = InstrumentFactory(), uuid.uuid4()
        desk(commands.TAKE_IN, unit)
        assert desk(commands.FIVE, unit, key) == desk(commands.FIVE, unit, key)
        assert WorkLine.objects.count() == 1
        with pytest.raises(RequestKeyReusedError):
            desk(commands.FIFTEEN, unit, key)

    @pytest.mark.parametrize("where", ["sold", "lost"])
    def test_what_left_the_fleet_is_told(self, desk, where):
        unit = InstrumentFactory(place=where)
        verdict = desk(commands.TAKE_IN, unit)
        assert (verdict.tone, place(unit)) == (("bad", "sold") if where == "sold" else ("good", "bench"))


class TestUndo:
    def test_taken_in_by_mistake_goes_back_to_its_family(self, desk):
        unit = instrument_of(rent(None))
        verdict = desk(commands.TAKE_IN, unit)
        assert desk.undo(verdict).more == "With the family again."
        order = WorkOrder.objects.get(instrument=unit)
        assert (place(unit), order.state, order.outcome) == ("family", "done", "unrepaired")

    def test_taken_in_by_mistake_goes_back_to_its_shelf(self, desk):
        unit = InstrumentFactory()
        desk.undo(desk(commands.TAKE_IN, unit))
        assert place(unit) == "shelf"

    def test_not_once_work_has_begun(self, desk):
        unit = InstrumentFactory()
        verdict = desk(commands.TAKE_IN, unit)
        desk(commands.ON_BENCH, unit)
        assert desk.undo(verdict).tone == "bad"
        assert place(unit) == "bench"

    @pytest.mark.parametrize(
        ("before", "card", "was"),
        [
            ((), commands.ON_BENCH, "look"),
            ((commands.ON_BENCH,), commands.PARTS, "bench"),
            ((commands.ON_BENCH,), commands.QUALITY, "bench"),
            ((commands.ON_BENCH, commands.QUALITY), commands.PASSED, "check"),
            ((commands.ON_BENCH,), commands.READY, "bench"),
        ],
    )
    def test_a_state_goes_back_to_what_it_was(self, desk, before, card, was):
        unit = InstrumentFactory()
        for each in (commands.TAKE_IN, *before):
            desk(each, unit)
        verdict = desk.undo(desk(card, unit))
        assert (verdict.tone, state(unit)) == ("good", was)

    def test_minutes_come_off_again_once(self, desk, rate):
        unit = InstrumentFactory()
        desk(commands.TAKE_IN, unit)
        verdict = desk(commands.FIFTEEN, unit)
        assert [desk.undo(verdict).tone, desk.undo(verdict).tone] == ["good", "info"]
        assert not WorkLine.objects.exists()

    def test_a_cleaning_noted_by_mistake(self, desk):
        unit = InstrumentFactory(last_cleaned_on=datetime.date(2025, 3, 1))
        desk.undo(desk(commands.CLEANED, unit))
        unit.refresh_from_db()
        assert unit.last_cleaned_on == datetime.date(2025, 3, 1)

    def test_what_went_out_is_taken_in_again_instead(self, desk):
        unit = InstrumentFactory()
        desk(commands.TAKE_IN, unit)
        assert desk.undo(desk(commands.SHELF, unit)).words == "Nothing to undo"
        assert place(unit) == "shelf"


class TestDesk:
    """The address: what is in hand, which card is in force."""

    @pytest.fixture
    def client(self, client_as, monkeypatch):
        ticks = iter(range(10_000))
        monkeypatch.setattr(clock, "now", lambda: NOW + datetime.timedelta(seconds=next(ticks)))
        return client_as("technician")

    def post(self, client, code, **data):
        told = {"key": uuid.uuid4(), "location": LocationFactory().pk, "hand": "", "card": "", **data}
        return client.post(reverse("bench_command"), {"code": code, **told})

    def test_an_instrument_then_its_card(self, client):
        unit = InstrumentFactory(asset_tag="FL-1042")
        page = self.post(client, "fl-1042")
        assert page.context["hand"] == "FL-1042"
        page = self.post(client, ".TAKEIN", hand="FL-1042")
        assert page.context["verdict"].words == "In the shop: FL-1042"
        assert place(unit) == "bench"
        assert page.context["hand"] == "FL-1042", "it stays in hand for the next card"

    def test_a_card_then_one_instrument_after_the_other(self, client):
        units = [InstrumentFactory() for _ in range(3)]
        page = self.post(client, ".CLEANED")
        assert page.context["card"] == commands.CLEANED
        for unit in units:
            page = self.post(client, unit.asset_tag, card=".CLEANED")
            assert (page.context["verdict"].tone, page.context["card"]) == ("good", commands.CLEANED)
        assert Instrument.objects.filter(last_cleaned_on=None).count() == 0
        page = self.post(client, ".LAYDOWN", card=".CLEANED")
        assert (page.context["card"], page.context["hand"]) == (None, "")

    def test_the_last_is_undone_and_then_the_one_before(self, client):
        unit = InstrumentFactory(asset_tag="FL-1042")
        self.post(client, ".TAKEIN", hand="FL-1042")
        self.post(client, ".ONBENCH", hand="FL-1042")
        assert self.post(client, ".UNDOLAST").context["verdict"].words == "Undone: FL-1042"
        assert state(unit) == "look"
        self.post(client, ".UNDOLAST")
        assert place(unit) == "shelf"
        assert self.post(client, ".UNDOLAST").context["verdict"].words == "Nothing to undo"

    def test_without_a_shop_it_asks_first_and_does_nothing(self, client):
        LocationFactory(code="second", name="Second shop")
        unit = InstrumentFactory()
        page = self.post(client, ".TAKEIN", hand=unit.asset_tag, location="")
        assert page.status_code == 422
        assert "Choose the shop first" in page.content.decode()
        assert place(unit) == "shelf"

    @pytest.mark.parametrize(
        ("code", "said"), [("ZZ-9999", "Unknown: ZZ-9999"), (".NOSUCH", "Unknown card"), ("", "Nothing scanned")]
    )
    def test_what_is_not_known_is_said(self, client, code, said):
        assert said in self.post(client, code).content.decode()

    @pytest.mark.parametrize("code", ["<script>alert(1)</script>", "'; --", "x" * 4000, "\0\0", "日本", "." * 300])
    def test_survives_whatever_is_scanned(self, client, code):
        assert "<script>alert" not in self.post(client, code).content.decode()

    def test_a_broken_key_does_nothing(self, client):
        unit = InstrumentFactory()
        assert self.post(client, ".TAKEIN", hand=unit.asset_tag, key="x").status_code == 409
        assert place(unit) == "shelf"

    def test_is_the_technicians_and_names_no_family(self, client, client_as):
        agreement = rent(None)
        page = self.post(client, instrument_of(agreement).asset_tag).content.decode()
        assert agreement.student.initials in page
        assert agreement.household.name not in page
        for role in ("specialist", "bookkeeper"):
            assert client_as(role).post(reverse("bench_command"), {"code": ".TAKEIN"}).status_code == 403

    def test_a_card_scanned_on_any_page_leads_here(self, client, client_as):
        page = client.get(reverse("scan"), {"code": "]C1.READY"}, follow=True)
        assert page.redirect_chain[-1][0] == reverse("bench_cards")
        assert "scan an instrument first" in page.content.decode()
        assert client_as("specialist").get(reverse("scan"), {"code": ".READY"}).status_code == 404

    def test_costs_few_queries(self, client, django_assert_max_num_queries):
        InstrumentFactory(asset_tag="FL-1042")
        with django_assert_max_num_queries(12):
            client.get(reverse("bench_cards"))

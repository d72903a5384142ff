"""An agreement that still waits for its instrument, through every move, list and page that knew only agreements with one."""

import datetime
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from billing import verify
from rentals.agreements.models import Agreement, NightSignUp, UnitPromise
from rentals.agreements.moves import NEED_INSTRUMENT, Move, WaitsForInstrumentError
from rentals.counter import rosters
from rentals.counter.life import operations as life_operations
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.counter.today import count_what_waits
from rentals.documents.models import Document
from rentals.portal.directors import roster
from rentals.staff.today import COUNTS
from tests.counter.leaving import sent
from tests.counter.nights.tablets import Tablet, open_night
from tests.families.factories import GuardianFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def night():
    return open_night("CL-1")


@pytest.fixture
def promise(night):
    row = operations.take_in(
        envelope=read_envelope(Tablet(night).envelope(None)),
        night=night,
        acting_user=night.staff.get().user,
        now=timezone.now(),
        today=night.on,
    )
    assert row.state == NightSignUp.State.ARRIVED, row.why
    return UnitPromise.objects.get()


def stands():
    """Nothing of the books or of the fleet is broken."""
    assert [found for check, found in verify.run_checks() if found and check.invariant in {1, 2, 4, 5, 6, 7, 8}] == []


def answers(client, url, **data):
    """Send a form as its page has it, with these fields; what it hid goes along, and the second time what it came to."""
    for _ in range(2):
        page = client.get(url) if "shown" not in data else None
        if page is not None:
            data |= dict(re.findall(r'name="(request_key|seen)" value="([^"]+)"', page.text))
        answer = client.post(url, data)
        if answer.status_code == 302:
            return answer
        data |= dict(re.findall(r'name="(shown|sha256)" value="([^"]*)"', answer.text))
    return answer


class TestMoves:
    @pytest.mark.parametrize("move", Move)
    def test_every_screen_opens_or_says_why_not(self, client_as, promise, move):
        answer = client_as("manager").get(reverse(f"agreement_{move}", args=[promise.agreement_id]))
        assert answer.status_code in ({302} if move == Move.RECOVER else {200, 409})
        if move in NEED_INSTRUMENT:
            assert answer.status_code == 409
            assert "still waits for the instrument" in answer.text

    def test_the_page_offers_only_what_is_possible(self, client_as, promise):
        page = client_as("manager").get(reverse("agreement", args=[promise.agreement_id])).text
        for move in NEED_INSTRUMENT:
            assert reverse(f"agreement_{move}", args=[promise.agreement_id]) not in page
        assert "End it without an instrument" in page
        assert "Take another model" in page

    def test_an_operation_refuses_too(self, promise, night):
        from rentals.agreements import life

        for move in NEED_INSTRUMENT:
            with pytest.raises(WaitsForInstrumentError):
                life.check(promise.agreement, move)

    def test_ends_without_an_instrument_and_gives_the_family_a_paper(self, client_as, promise):
        url, today = reverse("agreement_return", args=[promise.agreement_id]), timezone.localdate()
        assert answers(client_as("specialist"), url, on=today.isoformat()).status_code == 302
        agreement = Agreement.objects.get()
        assert (agreement.ended_on, agreement.end_reason) == (today, "returned")
        promise.refresh_from_db()
        assert promise.settled_at
        assert promise.given is None
        words = str(Document.objects.get(kind="return_receipt").payload)
        assert "It had not come to the family yet" in words
        assert "Condition" not in words
        stands()

    def test_is_void_on_its_own_day_with_nothing_to_put_on_a_shelf(self, client_as, promise):
        url = reverse("agreement_void", args=[promise.agreement_id])
        assert "goes back to the shelf" not in client_as("manager").get(url).text
        assert answers(client_as("manager"), url, reason="Another family").status_code == 302
        assert Agreement.objects.get().end_reason == "voided"
        assert UnitPromise.objects.get().settled_at
        stands()

    def test_takes_another_model_with_a_new_paper(self, client_as, promise):
        LocationFactory()
        InstrumentFactory(asset_tag="CL-77", item=CatalogueItemFactory(kind_code="clarinet", model="Other"))
        url = reverse("agreement_exchange", args=[promise.agreement_id]) + "?tag=CL-77"
        given = {"protection": "no", "signer_name": "Alex Sample", "consent": "on"}
        given["protection"] = "yes" if promise.agreement.monthly_protection.amount else "no"
        answer = answers(client_as("specialist"), url, **given)
        assert answer.status_code == 302, answer.text
        following = Agreement.objects.get(follows=promise.agreement)
        assert following.units.get().instrument.asset_tag == "CL-77"
        assert not hasattr(following, "promise")
        assert UnitPromise.objects.get().settled_at
        stands()

    def test_goes_along_to_another_guardian_and_still_waits(self, promise):
        other = GuardianFactory(household=promise.agreement.household, is_primary=False)
        who = {"acting_user": promise.night.staff.get().user, "now": timezone.now(), "today": timezone.localdate()}
        event = life_operations.transfer_agreement(
            agreement=promise.agreement, guardian=other, shown="", sent=sent(promise.agreement), **who
        )
        carried = UnitPromise.objects.get(settled_at=None)
        assert carried.agreement == event.agreement != promise.agreement
        assert (carried.night, carried.item, carried.why) == (promise.night, promise.item, promise.why)
        stands()


class TestPages:
    def test_are_said_on_the_family_the_list_and_the_first_page(self, client_as, promise):
        client, home = client_as("specialist"), promise.agreement.household
        assert "To come" in client.get(reverse("household", args=[home.pk])).text
        assert "To come" in client.get(reverse("agreements")).text
        count_what_waits()
        assert COUNTS["instruments_to_come"](timezone.localdate()) == 1
        page = client.get(reverse("instruments_to_come")).text
        assert promise.agreement.number in page
        assert reverse("units_to_assign", args=[promise.night_id]) in page
        assert "Instruments to come" in client.get("/").text

    def test_are_gone_once_it_has_one(self, client_as, promise):
        client = client_as("specialist")
        client.post(reverse("units_to_assign", args=[promise.night_id]), {"promise": promise.pk, "tag": "CL-1"})
        page = client.get(reverse("instruments_to_come")).text
        assert reverse("agreement", args=[promise.agreement_id]) not in page
        assert "To come" not in client.get(reverse("agreements")).text
        stands()

    def test_are_on_both_rosters(self, promise):
        programme = promise.agreement.student.programme
        line = rosters.list_roster(programme.school_id)[0]
        assert (line.instruments, line.tags) == (["Clarinet"], ["to come"])
        (part,) = roster.list_parts([programme], today=timezone.localdate())
        assert [(each.instrument, each.tag, each.where) for each in part.lines] == [("Clarinet", "", "To come")]

    @pytest.mark.parametrize("address", ["fleet_figures", "fleet_idle", "instruments", "aging", "cleanings", "bench_queue"])
    def test_break_no_page_about_the_fleet(self, client_as, promise, address):
        assert client_as("manager").get(reverse(address)).status_code == 200

    def test_are_listed_in_twelve_queries(self, client_as, promise, django_assert_max_num_queries):
        client = client_as("specialist")
        client.get(reverse("instruments_to_come"))
        with django_assert_max_num_queries(12):
            client.get(reverse("instruments_to_come"))


def test_a_loss_cannot_be_of_what_never_came(promise):
    from rentals.counter.life import leaving

    loss = leaving.Loss("lost", promise.agreement.starts_on)
    who = {"acting_user": promise.night.staff.get().user, "now": timezone.now() + datetime.timedelta(minutes=1)}
    with pytest.raises(WaitsForInstrumentError):
        leaving.report_loss(
            agreement=promise.agreement, loss=loss, sent=sent(promise.agreement), today=timezone.localdate(), **who
        )

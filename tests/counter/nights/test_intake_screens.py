"""The screens of what arrived: the list, one sign-up with its ways on, instruments to assign."""

import pytest
from django.urls import reverse
from django.utils import timezone

from rentals.agreements.models import Agreement, NightSignUp, SignUpDraft, UnitPromise
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.families.models import Household
from rentals.inventory.models import Instrument
from tests.counter.nights.tablets import Tablet, load, open_night
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def night():
    return open_night("CL-1", "CL-2")


def take_in(night, sent):
    return operations.take_in(
        envelope=read_envelope(sent),
        night=night,
        acting_user=night.staff.get().user,
        now=timezone.now(),
        today=timezone.localdate(),
    )


@pytest.fixture
def attention(night):
    sent = Tablet(night).envelope("CL-1")
    return take_in(night, {**sent, "payment": {**sent["payment"], "amount": "1.00"}})


class TestList:
    def test_shows_every_end_in_twelve_queries(self, client_as, night, attention, django_assert_max_num_queries):
        take_in(night, Tablet(night).envelope(None))
        client = client_as("specialist")
        client.get(reverse("night_sign_ups", args=[night.pk]))
        with django_assert_max_num_queries(12):
            page = client.get(reverse("night_sign_ups", args=[night.pk])).text
        assert attention.why in page
        assert "to be assigned" in page
        assert "without network" in page

    def test_tells_an_empty_list_from_a_filtered_one(self, client_as, night):
        client = client_as("specialist")
        assert "No sign-ups yet" in client.get(reverse("night_sign_ups", args=[night.pk])).text
        assert "match this" in client.get(reverse("night_sign_ups", args=[night.pk]), {"state": "arrived"}).text


class TestAttention:
    def test_shows_what_was_signed_and_that_the_money_lies_apart(self, client_as, attention):
        page = client_as("specialist").get(reverse("night_sign_up", args=[attention.pk])).text
        assert "1 Orchard Lane" in page
        assert "it is in no takings yet" in page
        assert "Due when you sign" in page

    def test_stays_when_the_reason_stays(self, client_as, attention):
        client, url = client_as("specialist"), reverse("night_sign_up_take_in", args=[attention.pk])
        form = {
            "name": "Sample",
            "given_name": "Alex",
            "family_name": "Sample",
            "phone": "(312) 555-0142",
            "street": "1 Orchard Lane",
        }
        form |= {"city": "Springdale", "state": "IL", "postal_code": "62704"}
        assert client.post(url, {**form, "street": ""}).status_code == 422
        assert "still needs a person" in client.post(url, form, follow=True).text
        assert not Agreement.objects.exists()

    def test_opens_the_counters_sheet_once_filled_in(self, client_as, attention):
        client, url = client_as("specialist"), reverse("night_sign_up_again", args=[attention.pk])
        first, again = client.post(url), client.post(url)
        draft = SignUpDraft.objects.get()
        assert first.url == again.url == reverse("signup_sheet", args=[draft.pk])
        assert draft.data["tag"] == "CL-1"
        assert Household.objects.count() == 1

    def test_is_put_aside_with_a_reason_only(self, client_as, attention):
        client, url = client_as("specialist"), reverse("night_sign_up_discard", args=[attention.pk])
        assert client.post(url, {"reason": ""}).status_code == 422
        client.post(url, {"reason": "Made twice"})
        row = NightSignUp.objects.get()
        assert (row.state, row.discard_reason, row.resolved_by) == ("discarded", "Made twice", client.user)


class TestToAssign:
    @pytest.fixture
    def promise(self, night):
        take_in(night, Tablet(night).envelope(None))
        return UnitPromise.objects.get()

    def test_assigns_from_the_van(self, client_as, night, promise):
        client, url = client_as("specialist"), reverse("units_to_assign", args=[night.pk])
        assert "CL-2" in client.get(url).text
        client.post(url, {"promise": promise.pk, "tag": "CL-2"})
        promise.refresh_from_db()
        assert promise.given.asset_tag == "CL-2"
        assert promise.agreement.units.get().instrument.asset_tag == "CL-2"
        assert night.units.get(instrument__asset_tag="CL-2").outcome == "given"

    def test_refuses_another_model_and_an_unknown_tag(self, client_as, night, promise):
        client, url = client_as("specialist"), reverse("units_to_assign", args=[night.pk])
        load(night, InstrumentFactory(asset_tag="CL-9", item=CatalogueItemFactory(kind_code="clarinet", model="Other")))
        answer = client.post(url, {"promise": promise.pk, "tag": "CL-9"})
        assert answer.status_code == 409
        assert "was signed for" in answer.text
        assert "No instrument has the tag" in client.post(url, {"promise": promise.pk, "tag": "ZZ-404"}).text
        assert Instrument.objects.get(asset_tag="CL-9").agreement_units.count() == 0

    def test_is_said_on_the_agreements_page_until_it_is_settled(self, client_as, promise):
        client = client_as("specialist")
        assert "waits for its instrument" in client.get(reverse("agreement", args=[promise.agreement_id])).text

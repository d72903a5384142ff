"""The waiting list's ways on: an instrument lent meanwhile, and the rent of the waited days, proposed and confirmed."""

import datetime
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from billing.models import Adjustment, WaitedCredit
from rentals.agreements.models import AgreementUnit, NightSignUp, UnitPromise
from rentals.counter.nights.intake import operations
from rentals.counter.nights.intake.envelope import read_envelope
from tests.counter.nights.tablets import Tablet, open_night
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory

pytestmark = pytest.mark.django_db
WAITED = 4


@pytest.fixture
def night():
    return open_night("CL-1", on=timezone.localdate() - datetime.timedelta(days=WAITED))


@pytest.fixture
def promise(night):
    """A family that signed and paid four days ago."""
    row = operations.take_in(
        envelope=read_envelope(Tablet(night).envelope(None)),
        night=night,
        acting_user=night.staff.get().user,
        now=timezone.now() - datetime.timedelta(days=WAITED),
        today=night.on,
    )
    assert row.state == NightSignUp.State.ARRIVED, row.why
    return UnitPromise.objects.get()


@pytest.fixture
def spare():
    """Another clarinet on a shelf, of another model."""
    return InstrumentFactory(asset_tag="CL-7", item=CatalogueItemFactory(kind_code="clarinet", model="Other"))


def shown(page):
    """What the form that gives it back sends: it stands first."""
    return dict(reversed(re.findall(r'name="(request_key|shown|decision)" value="([^"]+)"', page)))


class TestLend:
    def test_offers_what_could_stand_in_and_lends_it(self, client_as, promise, spare):
        client, url = client_as("specialist"), reverse("lend_meanwhile", args=[promise.pk])
        assert url in client.get(reverse("instruments_to_come")).text
        assert "CL-7" in client.get(url).text
        answer = client.post(url, {"tag": "cl-7"}, follow=True)
        assert "CL-7 is lent to" in answer.text
        assert AgreementUnit.objects.get().role == "loaner"
        listed = client.get(reverse("instruments_to_come")).text
        assert re.search(r"Has <span class=\"code\">CL-7</span> lent", listed)
        promise.refresh_from_db()
        assert promise.is_open

    def test_refuses_what_is_to_be_assigned_another_kind_and_a_second_one(self, client_as, promise, spare):
        client, url = client_as("specialist"), reverse("lend_meanwhile", args=[promise.pk])
        InstrumentFactory(asset_tag="CL-8", item=promise.item)
        InstrumentFactory(asset_tag="VN-1", item=CatalogueItemFactory(kind_code="flute"))
        for tag, words in (
            ("CL-8", "assign it instead"),
            ("VN-1", "of another kind or size"),
            ("ZZ-1", "No instrument has the tag"),
        ):
            answer = client.post(url, {"tag": tag})
            assert (answer.status_code, words in answer.text) == (409, True)
        client.post(url, {"tag": "CL-7"})
        InstrumentFactory(asset_tag="CL-9", item=spare.item)
        assert "already has the loaner CL-7" in client.post(url, {"tag": "CL-9"}).text
        assert AgreementUnit.objects.count() == 1

    def test_is_shut_once_the_family_has_its_own(self, client_as, promise, spare):
        client = client_as("specialist")
        client.post(reverse("units_to_assign", args=[promise.night_id]), {"promise": promise.pk, "tag": "CL-1"})
        assert client.get(reverse("lend_meanwhile", args=[promise.pk])).status_code == 404

    def test_ending_without_the_instrument_asks_for_the_loaner(self, client_as, promise, spare):
        client = client_as("specialist")
        client.post(reverse("lend_meanwhile", args=[promise.pk]), {"tag": "CL-7"})
        page = client.get(reverse("agreement_return", args=[promise.agreement_id])).text
        assert "The loaner CL-7 came back too" in page


class TestWaitedDays:
    @pytest.fixture
    def assigned(self, client_as, promise):
        """The family's clarinet is assigned today; the answer leads on to what the days come to."""
        client = client_as("specialist")
        answer = client.post(reverse("units_to_assign", args=[promise.night_id]), {"promise": promise.pk, "tag": "CL-1"})
        assert answer.url == reverse("waited_days", args=[promise.pk])
        return client

    def test_shows_the_arithmetic_and_gives_back_what_somebody_confirms(self, assigned, promise):
        listed = assigned.get(reverse("instruments_to_come")).text
        url = reverse("waited_days", args=[promise.pk])
        assert url in listed
        page = assigned.get(url).text
        amount = shown(page)["shown"]
        assert re.search(rf"\$30\.00 × {WAITED} ÷ \d\d = \${re.escape(amount)}", page)
        assert "for the waited days is on the family" in assigned.post(url, shown(page), follow=True).text
        adjustment = Adjustment.objects.get()
        assert (str(adjustment.amount), adjustment.direction, adjustment.agreement) == (amount, "less", promise.agreement)
        assert url not in assigned.get(reverse("instruments_to_come")).text
        again = assigned.post(url, {**shown(page), "request_key": "2b3b0e0e-0000-4000-8000-000000000001"})
        assert (again.status_code, Adjustment.objects.count()) == (422, 1)

    def test_gives_nothing_back_with_a_reason_only(self, assigned, promise):
        url = reverse("waited_days", args=[promise.pk])
        sent = {**shown(assigned.get(url).text), "decision": "nothing"}
        answer = assigned.post(url, sent)
        assert (answer.status_code, "Write why nothing is given back" in answer.text) == (422, True)
        assert assigned.post(url, {**sent, "reason": "They asked to come later"}).status_code == 302
        assert WaitedCredit.objects.get().adjustment is None
        assert "They asked to come later" in assigned.get(url).text

    def test_refuses_what_was_not_shown_or_not_chosen(self, assigned, promise):
        url = reverse("waited_days", args=[promise.pk])
        sent = shown(assigned.get(url).text)
        assert assigned.post(url, {**sent, "shown": "29.00"}).status_code == 422
        assert assigned.post(url, {name: sent[name] for name in ("shown", "request_key")}).status_code == 422
        assert not Adjustment.objects.exists()

    def test_is_listed_in_twelve_queries(self, assigned, django_assert_max_num_queries):
        assigned.get(reverse("instruments_to_come"))
        with django_assert_max_num_queries(12):
            assert "Waited days to give back" in assigned.get(reverse("instruments_to_come")).text


def test_whose_instrument_came_the_same_evening_waited_no_day(client_as):
    night = open_night("CL-1")
    who = {"acting_user": night.staff.get().user, "now": timezone.now(), "today": night.on}
    operations.take_in(envelope=read_envelope(Tablet(night).envelope(None)), night=night, **who)
    sent = {"promise": UnitPromise.objects.get().pk, "tag": "CL-1"}
    answer = client_as("specialist").post(reverse("units_to_assign", args=[night.pk]), sent)
    assert answer.url == reverse("units_to_assign", args=[night.pk])

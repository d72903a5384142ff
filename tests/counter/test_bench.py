"""The technician's bench: scan, take in, lend, give back; and how little it tells about the family."""

import pytest
from django.urls import reverse

from rentals.agreements.models import AgreementUnit
from rentals.inventory import queries
from rentals.inventory.models import Instrument, WorkOrder
from tests.agreements.factories import AgreementFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, WorkOrderFactory

pytestmark = pytest.mark.django_db
BENCH = "/bench/"


@pytest.fixture
def client(client_as):
    return client_as("technician")


@pytest.fixture
def agreement():
    return AgreementFactory(household=HouseholdFactory(name="Quillfeather"), unit=True)


def rented(agreement):
    return agreement.units.get(role="rented").instrument


def text_of(response):
    return response.content.decode()


def place_of(instrument):
    return queries.get_whereabouts(instrument).place


class TestScan:
    def test_reads_a_tag_however_it_was_scanned(self, client):
        InstrumentFactory(asset_tag="FL-1042")
        page = text_of(client.get(BENCH, {"tag": "]C1fl-1042\r\n"}))
        assert "FL-1042: on the shelf, Main Street shop" in page
        assert "Take in to the shop" in page

    def test_everything_costs_at_most_twelve_reads_and_a_kept_scan(self, client, agreement, django_assert_max_num_queries):
        for _ in range(20):
            InstrumentFactory(item=agreement.item)
        tag = rented(agreement).asset_tag
        with django_assert_max_num_queries(12 + 3):  # the scan is kept in the session: one UPDATE in its savepoint
            client.get(BENCH, {"tag": tag})

    def test_unknown_tag_is_said_with_those_that_look_like_it(self, client):
        InstrumentFactory(asset_tag="FL-1042")
        page = text_of(client.get(BENCH, {"tag": "FL-1024"}))
        assert "Unknown tag:" in page
        assert "?tag=FL-1042" in page
        assert "Add it as a new instrument" in page

    @pytest.mark.parametrize("tag", ["<script>", "'; --", "x" * 3000, "\x00", "日本"])
    def test_survives_whatever_is_scanned(self, client, tag):
        response = client.get(BENCH, {"tag": tag})
        assert response.status_code == 200
        assert "<script>" not in text_of(response).split("</head>")[1]

    def test_tells_the_technician_initials_and_cover_but_no_name(self, client, agreement):
        page = text_of(client.get(BENCH, {"tag": rented(agreement).asset_tag}))
        assert f"Student {agreement.student.initials}" in page
        assert "Yes, protection" in page
        assert "Repairs of damage in normal playing" in page
        assert "Quillfeather" not in page
        assert agreement.student.given_name not in page

    def test_says_when_nothing_is_covered(self, client):
        agreement = AgreementFactory(unit=True, protection=False)
        assert "No protection" in text_of(client.get(BENCH, {"tag": rented(agreement).asset_tag}))

    def test_the_same_label_within_three_seconds_is_one_scan(self, client):
        InstrumentFactory(asset_tag="FL-1042")
        InstrumentFactory(asset_tag="FL-1043")
        for tag in ("FL-1042", "FL-1042", "FL-1043", "FL-1042"):
            response = client.get(BENCH, {"tag": tag})
        assert [scan["tag"] for scan in response.context["scans"]] == ["FL-1042", "FL-1043", "FL-1042"]

    def test_quick_part_brings_the_verdict_into_its_status_region(self, client):
        InstrumentFactory(asset_tag="FL-1042")
        page = text_of(client.get(BENCH, {"tag": "FL-1042"}, headers={"HX-Request": "true", "HX-Target": "bench-result"}))
        assert '<div id="bench-verdict" hx-swap-oob="innerHTML">' in page
        assert "<html" not in page


class TestTakeIn:
    def post(self, client, instrument, **changes):
        data = {"problem": "A key sticks", "location": LocationFactory().pk, **changes}
        return client.post(reverse("bench_take_in", args=[instrument.asset_tag]), data)

    def test_from_the_shelf(self, client):
        instrument = InstrumentFactory()
        assert self.post(client, instrument).status_code == 302
        assert place_of(instrument) == "bench"
        assert WorkOrder.objects.get().problem == "A key sticks"

    def test_from_a_family_leaves_the_agreement_open(self, client, agreement):
        self.post(client, rented(agreement))
        assert place_of(rented(agreement)) == "bench"
        agreement.refresh_from_db()
        assert agreement.is_open

    def test_lends_a_loaner(self, client, agreement):
        spare = InstrumentFactory(item=agreement.item)
        response = self.post(client, rented(agreement), loaner=spare.asset_tag)
        assert response.status_code == 302
        assert place_of(spare) == "family"
        assert AgreementUnit.objects.get(instrument=spare, ended_at=None).role == "loaner"
        page = text_of(client.get(BENCH, {"tag": rented(agreement).asset_tag}))
        assert f"?tag={spare.asset_tag}" in page

    def test_a_loaner_gone_meanwhile_takes_nothing_in(self, client, agreement):
        spare, taken = InstrumentFactory(item=agreement.item), InstrumentFactory(item=agreement.item, place="lost")
        response = self.post(client, rented(agreement), loaner=taken.asset_tag)
        assert response.status_code == 422
        assert place_of(rented(agreement)) == "family"
        assert not WorkOrder.objects.exists()
        assert "A key sticks" in text_of(response)
        assert place_of(spare) == "shelf"

    def test_asks_what_is_wrong_and_keeps_what_was_chosen(self, client):
        instrument = InstrumentFactory()
        response = self.post(client, instrument, problem="")
        assert response.status_code == 422
        assert "Write what is wrong, in a few words." in text_of(response)
        assert 'href="#in_problem"' in text_of(response)

    def test_twice_is_refused_in_words(self, client):
        order = WorkOrderFactory()
        response = self.post(client, order.instrument)
        assert response.status_code == 422
        assert "already has an open work order" in str(response.context["take_in"].errors)


class TestGoOut:
    def post(self, client, instrument, **changes):
        data = {"work_done": "New pad", "location": LocationFactory().pk, **changes}
        return client.post(reverse("bench_go_out", args=[instrument.asset_tag]), data)

    def test_to_the_shelf_closes_the_work_order(self, client):
        order = WorkOrderFactory()
        assert self.post(client, order.instrument, to="shelf").status_code == 302
        order.refresh_from_db()
        assert (order.work_done, order.closed_by, place_of(order.instrument)) == ("New pad", client.user, "shelf")

    def test_asks_what_was_done(self, client):
        order = WorkOrderFactory()
        assert self.post(client, order.instrument, to="shelf", work_done="").status_code == 422
        assert place_of(order.instrument) == "bench"

    def test_back_to_the_family_takes_the_loaner_back(self, client, agreement):
        spare = InstrumentFactory(item=agreement.item)
        location = LocationFactory().pk
        taken = {"problem": "A key sticks", "location": location, "loaner": spare.asset_tag}
        client.post(reverse("bench_take_in", args=[rented(agreement).asset_tag]), taken)
        assert self.post(client, rented(agreement), to="family", loaner_is_back="on").status_code == 302
        here = queries.get_whereabouts(rented(agreement))
        assert (here.place, here.custody.household) == ("family", agreement.household)
        assert place_of(spare) == "shelf"
        assert not AgreementUnit.objects.filter(instrument=spare, ended_at=None).exists()

    def test_what_a_family_rents_does_not_go_to_the_shelf(self, client, agreement):
        client.post(
            reverse("bench_take_in", args=[rented(agreement).asset_tag]),
            {"problem": "A key sticks", "location": LocationFactory().pk},
        )
        response = self.post(client, rented(agreement), to="shelf")
        assert response.status_code == 422
        assert agreement.number in str(response.context["go_out"].errors)
        assert WorkOrder.objects.get().closed_at is None

    def test_nobody_waits_for_what_is_on_no_agreement(self, client):
        order = WorkOrderFactory()
        response = self.post(client, order.instrument, to="family")
        assert response.status_code == 422
        assert "on no open agreement" in text_of(response)


class TestLoanerBack:
    def test_goes_to_the_shelf(self, client, agreement):
        spare, location = InstrumentFactory(item=agreement.item), LocationFactory().pk
        taken = {"problem": "A key sticks", "location": location, "loaner": spare.asset_tag}
        client.post(reverse("bench_take_in", args=[rented(agreement).asset_tag]), taken)
        assert "Take the loaner back" in text_of(client.get(BENCH, {"tag": spare.asset_tag}))
        client.post(reverse("bench_loaner_back", args=[spare.asset_tag]), {"location": location})
        assert place_of(spare) == "shelf"


class TestCleaned:
    def test_is_noted_today(self, client):
        instrument = InstrumentFactory()
        client.post(reverse("bench_cleaned", args=[instrument.asset_tag]))
        assert Instrument.objects.get().last_cleaned_on is not None


class TestWhoMay:
    @pytest.mark.parametrize("role", ["specialist", "bookkeeper", "administrator"])
    def test_the_bench_is_not_theirs(self, client_as, role):
        assert client_as(role).get(BENCH).status_code == 403


class TestWhatTheBooksSay:
    """Somebody scans what the books have elsewhere: each screen says what they say, and the way on."""

    @pytest.mark.parametrize(
        ("place", "words", "comes_in"),
        [
            ("lost", "It was found: put it on the shelf", False),
            ("sold", "it is not ours", False),
            ("retired", "Ask a manager to take it back into use", False),
        ],
    )
    def test_says_what_to_do_with_what_is_gone(self, client_as, place, words, comes_in):
        unit = InstrumentFactory(place=place)
        answer = client_as("technician").get(reverse("bench"), {"tag": unit.asset_tag})
        assert words in answer.text
        assert answer.context["sheet"].can_come_in == comes_in

    def test_with_a_family_on_no_agreement_it_is_taken_in_or_put_away(self, client_as):
        unit = InstrumentFactory(place="family", place__household=HouseholdFactory(name="Quillfeather"))
        answer = client_as("technician").get(reverse("bench"), {"tag": unit.asset_tag})
        assert "with a family, on no open agreement" in answer.text
        assert "Quillfeather" not in answer.text

    def test_with_its_family_the_agreement_ends_at_the_counter(self, client_as):
        unit = AgreementFactory(unit=True).units.get().instrument
        answer = client_as("technician").get(reverse("bench"), {"tag": unit.asset_tag})
        assert "its agreement ends at the counter" in answer.text

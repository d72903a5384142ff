"""The pages of runs: planned, filled, ordered, driven on a telephone; who may what, and how few queries a page costs."""

import math
import re
import uuid

import pytest
from django.urls import reverse

from rentals.documents.models import Document
from schools.models import HomeErrand, Load, Run
from tests.agreements.factories import AgreementFactory
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.schools.factories import ErrandFactory, LoadFactory, RunFactory, SchoolFactory, StopFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def client(client_as):
    return client_as("specialist")


def text_of(response):
    return response.content.decode()


def post(client, name, *args, **data):
    return client.post(reverse(name, args=args), data, follow=True)


def scan(client, run, load, step, at=""):
    data = {"code": load.instrument.asset_tag, "step": step, "at": at, "key": uuid.uuid4()}
    return text_of(client.post(reverse("run_scan", args=[run.pk]), data))


class TestPlan:
    def form(self, **changes):
        facts = {"on": "2031-12-01", "driver": UserFactory().pk, "location": LocationFactory().pk, "request_key": uuid.uuid4()}
        return {**facts, "ends_at_shop": "on", "notes": "", **changes}

    def test_opens_a_run_once_however_often_it_is_sent(self, client):
        form = self.form()
        for _ in range(2):
            assert client.post(reverse("run_plan"), form).status_code == 302
        assert Run.objects.count() == 1

    def test_refuses_a_day_gone_by_and_keeps_what_was_written(self, client):
        response = client.post(reverse("run_plan"), self.form(on="2020-12-01", notes="Side door"))
        assert response.status_code == 422
        assert "That day is past" in text_of(response)
        assert "Side door" in text_of(response)

    def test_says_when_the_driver_drives_already(self, client):
        run = RunFactory(on="2031-12-01")
        assert "has a run on that day already" in text_of(client.post(reverse("run_plan"), self.form(driver=run.driver.pk)))

    def test_a_technician_drives_but_does_not_plan(self, client_as):
        run = RunFactory()
        technician = client_as("technician")
        assert technician.get(reverse("run", args=[run.pk])).status_code == 200
        assert technician.get(reverse("run_plan")).status_code == 403
        assert technician.post(reverse("run_order", args=[run.pk])).status_code == 403


class TestRunPage:
    def test_puts_what_is_ticked_on_the_run_and_strikes_it_off(self, client):
        run, errand = RunFactory(), ErrandFactory()
        page = text_of(client.get(reverse("run", args=[run.pk])))
        assert f'value="school-{errand.pk}"' in page
        assert "1 put on the run." in text_of(post(client, "run_add", run.pk, errand=f"school-{errand.pk}"))
        load = Load.objects.get()
        page = text_of(client.get("/bench/van/"))
        assert f"/runs/{run.pk}/" in page
        assert reverse("errand_done", args=[errand.pk]) not in page
        assert "waits again" in text_of(post(client, "load_strike", run.pk, load.pk))
        assert not Load.objects.exists()

    def test_orders_by_points_written_down_and_says_both_lengths(self, client):
        run = RunFactory()
        stops = [StopFactory(run=run, order=place) for place in (1, 2, 3)]
        for stop, written in zip(stops, ("40.10, -88.20", "40.30, -88.40", "40.12, -88.20"), strict=True):
            assert "Written down" in text_of(post(client, "stop_spot", run.pk, stop.pk, written=written))
        post(client, "shop_spot", run.pk, written="40.00, -88.20")
        run.refresh_from_db()
        page = text_of(post(client, "run_order", run.pk, version=run.version))
        after, before = re.search(r"In order: about ([0-9.]+) miles, before ([0-9.]+)\.", page).groups()
        # By hand, on a plane: a degree north is 69.1 miles, at 40.15 degrees a degree west 52.8; times 1.3.
        west = 0.2 * 52.8 / 69.1
        by_hand = 69.1 * 1.3 * (0.12 + math.hypot(0.18, west) + math.hypot(0.3, west))
        assert float(after) == pytest.approx(by_hand, rel=0.004)
        assert float(after) < float(before)
        order = list(run.stops.order_by("order").values_list("pk", flat=True))
        assert order in ([stops[0].pk, stops[2].pk, stops[1].pk], [stops[1].pk, stops[2].pk, stops[0].pk])

    @pytest.mark.parametrize("written", ["", "near the river", "95, 10", "40, 190"])
    def test_says_what_is_wrong_with_a_point(self, client, written):
        stop = StopFactory()
        response = client.post(reverse("stop_spot", args=[stop.run_id, stop.pk]), {"written": written})
        assert response.status_code == 422

    def test_a_stop_of_another_run_is_not_found(self, client):
        load = LoadFactory()
        other = RunFactory()
        assert client.post(reverse("load_strike", args=[other.pk, load.pk])).status_code == 404
        assert client.post(reverse("stop_move", args=[other.pk, load.stop_id])).status_code == 404
        assert client.post(reverse("stop_hand_over", args=[other.pk, load.stop_id])).status_code == 404
        assert client.post(reverse("load_not_done", args=[other.pk, load.pk])).status_code == 404

    def test_costs_few_queries_however_many_stops(self, client, django_assert_max_num_queries):
        run = RunFactory()
        for _ in range(12):
            LoadFactory(stop=StopFactory(run=run))
            ErrandFactory()
        for name in ("run", "run_drive"):
            with django_assert_max_num_queries(12):
                client.get(reverse(name, args=[run.pk]))
        with django_assert_max_num_queries(12):
            client.get(reverse("runs"))

    def test_prints_a_manifest_with_initials_only(self, client):
        agreement = AgreementFactory(unit=True)
        unit = agreement.units.get().instrument
        run = RunFactory()
        LoadFactory(stop=StopFactory(run=run), instrument=unit, task="fetch_repair", what="A key sticks")
        post(client, "run_manifest", run.pk)
        payload = str(Document.objects.get(kind="run_manifest").payload)
        assert unit.asset_tag in payload
        assert agreement.student.initials in payload
        assert agreement.student.given_name not in payload
        assert agreement.household.name not in payload

    def test_prints_a_slip_for_a_stop_with_initials_only(self, client):
        agreement = AgreementFactory(unit=True)
        load = LoadFactory(instrument=agreement.units.get().instrument, task="fetch_repair")
        post(client, "stop_slip", load.run_id, load.stop_id)
        payload = str(Document.objects.get(kind="delivery_slip").payload)
        assert load.instrument.asset_tag in payload
        assert agreement.student.initials in payload
        assert agreement.student.given_name not in payload


class TestHomeErrand:
    def test_waits_for_a_run_and_goes_on_one(self, client):
        agreement = AgreementFactory(unit=True)
        unit = agreement.units.get().instrument
        form = {"kind": "drop_off", "wanted_from": "2031-12-01", "address": "", "safe_place": "Side porch", "what": ""}
        client.post(reverse("home_errand_ask", args=[unit.asset_tag]), form)
        errand = HomeErrand.objects.get()
        assert errand.household == agreement.household
        run = RunFactory(on="2031-12-02")
        post(client, "run_add", run.pk, errand=f"home-{errand.pk}")
        stop = run.stops.get()
        assert (stop.kind, stop.safe_place) == ("home", "Side porch")
        assert stop.name == f"{agreement.household.number} {agreement.student.initials}"

    def test_is_asked_for_what_a_family_rents_only(self, client):
        assert client.get(reverse("home_errand_ask", args=[InstrumentFactory().asset_tag])).status_code == 404


class TestDrive:
    def test_goes_from_loading_to_the_last_scan(self, client):
        run = RunFactory()
        brought = LoadFactory(stop=StopFactory(run=run, order=1))
        other = LoadFactory(stop=StopFactory(run=run, order=2))
        for load in (brought, other):
            assert f"Loaded: {load.instrument.asset_tag}" in scan(client, run, load, "load")
        assert "Stop 1" in text_of(post(client, "run_leave", run.pk))
        assert "Hand it over" in scan(client, run, brought, "stop", brought.stop_id)
        refused = client.post(
            reverse("stop_hand_over", args=[run.pk, brought.stop_id]), {"how": "signed", "receiver": "", "key": uuid.uuid4()}
        )
        assert refused.status_code == 422
        assert "Write the name of the adult" in text_of(refused)
        signed = {"how": "signed", "receiver": "Jo Baton", "strokes": "M1 1L9 9", "key": uuid.uuid4()}
        assert "Handed over" in text_of(post(client, "stop_hand_over", run.pk, brought.stop_id, **signed))
        assert "write why" in text_of(post(client, "load_not_done", run.pk, other.pk, why=" "))
        assert "not handed over" in text_of(post(client, "load_not_done", run.pk, other.pk, why="Locked"))
        assert "Still in the van" in text_of(post(client, "run_finish", run.pk))
        assert "Out of the van" in scan(client, run, other, "home")
        assert "everything is accounted for" in text_of(post(client, "run_finish", run.pk))

    @pytest.mark.parametrize("code", ["<script>", "'; --", "x" * 3000, "\x00", "日本", ""])
    def test_survives_whatever_is_scanned(self, client, code):
        run = RunFactory()
        data = {"code": code, "step": "load", "key": uuid.uuid4()}
        response = client.post(reverse("run_scan", args=[run.pk]), data)
        assert response.status_code in {200, 422}
        assert "<script>alert" not in text_of(response)

    def test_a_school_without_a_point_is_named(self, client):
        stop = StopFactory(school=SchoolFactory(name="Northfield School"))
        assert "No point yet" in text_of(client.get(reverse("run", args=[stop.run_id])))


class TestElsewhere:
    def test_an_agreements_page_sends_the_van(self, client):
        agreement = AgreementFactory(unit=True)
        page = text_of(client.get(reverse("agreement", args=[agreement.pk])))
        assert reverse("home_errand_ask", args=[agreement.units.get().instrument.asset_tag]) in page

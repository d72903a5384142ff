"""What a driver's device sends: read with care, done once, believed how long ago it was; and whom the driver may call."""

import datetime
import json
import uuid

import pytest
from django.urls import reverse

from rentals.counter.runs import operations, papers
from rentals.runtime import clock
from schools import runs
from schools.models import Load
from tests.agreements.factories import AgreementFactory
from tests.inventory.factories import InstrumentFactory
from tests.schools.factories import DirectorFactory, ErrandFactory, HomeErrandFactory, ProgrammeFactory, RunFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def load():
    """An instrument in a van that left two hours ago."""
    left = clock.now() - datetime.timedelta(hours=2)
    run = RunFactory(on=clock.today(), made_at=left)
    load = runs.add_errand(run=run, errand=ErrandFactory(kind="drop_off", instrument=InstrumentFactory(), made_at=left))
    who = {"acting_user": run.driver, "now": left}
    operations.scan(run=run, step="load", stop=None, code=load.instrument.asset_tag, key=uuid.uuid4(), **who)
    operations.leave(run=run, **who)
    return load


@pytest.fixture
def client(client_as):
    return client_as("technician")


def send(client, brought, **changes):
    """Send an act as the device does; a scan at the stop unless told otherwise."""
    act = {"id": str(uuid.uuid4()), "kind": "scan", "age": 0, "step": "stop", "at": str(brought.stop_id)}
    body = {**act, "code": brought.instrument.asset_tag, **changes}
    return client.post(reverse("run_act", args=[brought.run_id]), json.dumps(body), content_type="application/json")


def signed(client, load, **changes):
    return send(client, load, kind="hand_over", how="signed", receiver="Jo Baton", strokes="M1 1L9 9", **changes)


class TestRunAct:
    def test_answers_with_what_the_page_shows_then(self, client, load):
        answer = send(client, load).json()
        assert (answer["outcome"], answer["why"]) == ("arrived", f"Hand it over: {load.instrument.asset_tag}")
        assert "Waits for a signature" in answer["html"]

    def test_the_same_act_again_is_the_same_and_another_under_its_id_is_refused(self, client, load):
        send(client, load)
        one = str(uuid.uuid4())
        assert [signed(client, load, id=one).status_code for _ in range(2)] == [200, 200]
        assert Load.objects.get(pk=load.pk).receiver == "Jo Baton"
        assert send(client, load, id=one).status_code == 409

    def test_believes_how_long_ago_it_was_but_not_before_the_van_left(self, client, load):
        send(client, load, age=1800)
        signed(client, load, age=90000)
        load.refresh_from_db()
        ago = clock.now() - load.scanned_off_at
        assert datetime.timedelta(minutes=29) < ago < datetime.timedelta(minutes=31)
        assert load.handed_at == load.scanned_off_at  # never before what the office knows

    def test_a_refused_scan_of_a_while_ago_stays_on_the_device(self, client, load):
        stranger = InstrumentFactory().asset_tag
        assert send(client, load, code=stranger).status_code == 200
        late = send(client, load, code=stranger, age=600)
        assert (late.status_code, f"Not on this run: {stranger}" in late.json()["why"]) == (409, True)

    def test_says_why_what_was_not_done_was_not(self, client, load):
        asked = {"kind": "not_done", "load": load.pk}
        assert send(client, load, **asked, why=" ").status_code == 422
        assert send(client, load, **asked, why="Locked").status_code == 200
        assert Load.objects.get(pk=load.pk).words == "Locked"
        assert send(client, load, kind="not_done", load=10**9, why="Locked").status_code == 422

    @pytest.mark.parametrize(
        "changes",
        [
            {"kind": "sell"},
            {"id": "1"},
            {"age": -5},
            {"age": "long"},
            {"code": "\0"},
            {"kind": "hand_over", "how": "signed", "receiver": ""},
            {"kind": "hand_over", "how": "signed", "receiver": "Jo", "strokes": "<svg>"},
            {"kind": "hand_over", "how": "safe", "safe_place": ["x"], "at": "abc"},
        ],
    )
    def test_refuses_what_it_cannot_read_and_does_nothing(self, client, load, changes):
        answer = send(client, load, **changes)
        assert (answer.status_code, bool(answer.json()["why"])) == (422, True)
        load.refresh_from_db()
        assert (load.scanned_off_at, load.outcome) == (None, "")

    @pytest.mark.parametrize("body", [b"", b"[]", b"{", b'"x"', b"\xff\xfe", b"[" * 50000])
    def test_survives_whatever_comes(self, client, load, body):
        answer = client.post(reverse("run_act", args=[load.run_id]), body, content_type="application/json")
        assert answer.status_code == 422

    def test_is_for_who_drives_and_for_this_run(self, client, client_as, load):
        assert send(client_as("bookkeeper"), load).status_code == 403
        other = RunFactory(on=clock.today())
        act = {"id": str(uuid.uuid4()), "kind": "hand_over", "age": 0, "at": str(load.stop_id), "how": "signed", "receiver": "Jo"}
        assert client.post(reverse("run_act", args=[other.pk]), act, content_type="application/json").status_code == 422

    def test_the_door_says_who_is_there(self, client):
        answer = client.get(reverse("run_door")).json()
        assert set(answer) == {"person", "csrf", "now"}


class TestContact:
    def test_a_school_is_asked_for_by_its_director_in_office(self):
        programme, on = ProgrammeFactory(), datetime.date(2026, 11, 24)
        for name, facts in (
            ("Ada Former", {"phone": "+13125550101", "until_on": datetime.date(2026, 6, 1)}),
            ("Bea Silent", {}),
            ("Cy Present", {"phone": "+13125550142"}),
        ):
            DirectorFactory(name=name, **facts).programmes.add(programme)
        errand = ErrandFactory(school=programme.school, kind="drop_off")
        load = runs.add_errand(run=RunFactory(on=on), errand=errand)
        assert load.stop.contact == "Ask for Cy Present, (312) 555-0142"

    def test_a_familys_telephone_is_on_the_drivers_screen_and_not_on_the_manifest(self, client):
        agreement = AgreementFactory(unit=True)
        agreement.guardian.phone = "+13125550177"
        agreement.guardian.save(update_fields=["phone"])
        run = RunFactory(state="under_way", left_at=clock.now())
        errand = HomeErrandFactory(
            household=agreement.household, instrument=agreement.units.get().instrument, kind="pick_up", is_return=True
        )
        runs.add_home_errand(run=run, errand=errand, initials="QS")
        assert 'href="tel:+13125550177"' in client.get(reverse("run_drive", args=[run.pk])).text
        assert "5550177" not in str(papers.ask_for_manifest(run=run, now=clock.now()).payload)
        assert "5550177" not in client.get(reverse("run", args=[run.pk])).text

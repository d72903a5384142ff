"""Many instruments moved one after the other: each scan has its verdict at once, and each move its undo."""

import datetime
from uuid import uuid4

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, MoveBatch, MoveScan
from rentals.inventory.operations import batches as operations
from tests.agreements.factories import AgreementFactory
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, MoveBatchFactory, WorkOrderFactory
from tests.schools.factories import SchoolFactory

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
SECOND = datetime.timedelta(seconds=1)
pytestmark = pytest.mark.django_db


@pytest.fixture
def technician():
    return TechnicianFactory()


def scan(batch, code, technician, at=NOW, client_id=None):
    return operations.scan_into(batch=batch, code=code, client_id=client_id or uuid4(), acting_user=technician, now=at)


def text_of(response):
    return " ".join(response.content.decode().split())


class TestScanInto:
    def test_moves_with_the_rounds_place_reason_and_condition(self, technician):
        unit = InstrumentFactory(place="bench", grade="good")
        made = scan(MoveBatchFactory(grade="worn"), f"]C1{unit.asset_tag.lower()}\r\n", technician)
        here = queries.get_whereabouts(unit).custody
        unit.refresh_from_db()
        assert (made.verdict, made.custody, here.place, here.reason) == ("moved", here, "shelf", "Back from the band night")
        assert (unit.grade, made.grade_before) == ("worn", "good")

    def test_one_that_is_there_already_is_told_and_stays(self, technician):
        unit = InstrumentFactory()
        assert scan(MoveBatchFactory(), unit.asset_tag, technician).verdict == "already"
        assert unit.custodies.count() == 1

    def test_an_unknown_code_is_told(self, technician):
        made = scan(MoveBatchFactory(), "ZZ-999", technician)
        assert (made.verdict, made.instrument) == ("unknown", None)
        assert "No instrument has this tag" in made.words

    def test_knows_it_by_its_serial_number_too(self, technician):
        unit = InstrumentFactory(place="bench", serial_number="SN778899")
        assert scan(MoveBatchFactory(), "sn778899", technician).instrument == unit

    def test_what_cannot_go_there_says_why_and_what_to_do(self, technician):
        rented = AgreementFactory(unit=True).units.get().instrument
        worked_on = WorkOrderFactory().instrument
        sold = InstrumentFactory(place="sold")
        batch = MoveBatchFactory()
        told = [scan(batch, each.asset_tag, technician) for each in (rented, worked_on, sold)]
        assert [each.verdict for each in told] == ["wrong"] * 3
        assert "end the agreement at the counter" in told[0].words
        assert "open work order" in told[1].words
        assert "left the shop for good" in told[2].words

    def test_the_same_label_within_three_seconds_is_one_scan(self, technician):
        unit, batch = InstrumentFactory(place="bench"), MoveBatchFactory()
        first = scan(batch, unit.asset_tag, technician)
        assert scan(batch, unit.asset_tag, technician, NOW + 2 * SECOND) == first
        assert scan(batch, unit.asset_tag, technician, NOW + 4 * SECOND).verdict == "already"

    def test_sent_again_with_its_id_it_is_one_scan(self, technician):
        unit, batch, key = InstrumentFactory(place="bench"), MoveBatchFactory(), uuid4()
        first = scan(batch, unit.asset_tag, technician, client_id=key)
        assert scan(batch, unit.asset_tag, technician, NOW + 60 * SECOND, client_id=key) == first
        assert MoveScan.objects.count() == 1

    def test_sixty_in_a_row_are_sixty_moves(self, technician):
        batch = MoveBatchFactory()
        units = [InstrumentFactory(place="bench") for _ in range(60)]
        verdicts = {scan(batch, unit.asset_tag, technician, NOW + n * SECOND).verdict for n, unit in enumerate(units)}
        assert verdicts == {"moved"}
        assert Custody.objects.filter(place="shelf", ended_at=None).count() == 60

    def test_a_move_before_the_last_move_is_told_and_not_made(self, technician):
        unit = InstrumentFactory(place="bench", place__began_at=NOW + 60 * SECOND)
        made = scan(MoveBatchFactory(), unit.asset_tag, technician)
        assert (made.verdict, "was moved later than that already" in made.words) == ("wrong", True)


class TestBackFromASchool:
    @pytest.fixture
    def school(self):
        return SchoolFactory()

    @pytest.fixture
    def batch(self, school):
        return MoveBatchFactory(from_school=school, grade="good")

    def test_another_schools_and_one_that_never_was_there_are_told(self, batch, technician):
        other = SchoolFactory(name="Cedar Hollow School")
        theirs = InstrumentFactory(place="school", place__school=other)
        benched = InstrumentFactory(place="bench")
        assert "at another school: Cedar Hollow School" in scan(batch, theirs.asset_tag, technician).words
        assert "By the books it is not at" in scan(batch, benched.asset_tag, technician).words
        assert queries.get_whereabouts(theirs).place == "school"

    def test_all_that_is_left_comes_back_and_what_cannot_is_named(self, batch, school, technician):
        units = [InstrumentFactory(place="school", place__school=school) for _ in range(3)]
        late = InstrumentFactory(place="school", place__school=school, place__began_at=NOW + 60 * SECOND)
        scan(batch, units[0].asset_tag, technician)
        made = operations.take_the_rest(batch=batch, acting_user=technician, now=NOW + SECOND)
        assert [(each.instrument, each.verdict) for each in made] == [
            (units[1], "moved"), (units[2], "moved"), (late, "wrong"),
        ]  # fmt: skip

    def test_the_page_shows_who_is_still_out(self, client_as, batch, school):
        InstrumentFactory(place="school", place__school=school, asset_tag="VN-0312")
        shown = text_of(client_as("technician").get(reverse("move_batch", args=[batch.pk])))
        assert "VN-0312" in shown
        assert "All 1 have come back" in shown


class TestUndoScan:
    def test_takes_move_and_condition_back(self, technician):
        unit = InstrumentFactory(place="bench", grade="good")
        made = scan(MoveBatchFactory(grade="poor"), unit.asset_tag, technician)
        undone = operations.undo_scan(scan=made, acting_user=technician, now=NOW + SECOND)
        unit.refresh_from_db()
        assert (queries.get_whereabouts(unit).place, unit.grade, undone.undone_at) == ("bench", "good", NOW + SECOND)
        with pytest.raises(fleet.MoveNotUndoneError):
            operations.undo_scan(scan=made, acting_user=technician, now=NOW + 2 * SECOND)

    def test_refuses_once_it_has_gone_on(self, technician):
        unit = InstrumentFactory(place="bench")
        made = scan(MoveBatchFactory(), unit.asset_tag, technician)
        fleet.move_by_hand(instrument=unit, place="lost", reason="Gone", acting_user=technician, now=NOW + SECOND)
        with pytest.raises(fleet.MoveNotUndoneError):
            operations.undo_scan(scan=made, acting_user=technician, now=NOW + 2 * SECOND)


class TestScreens:
    def form(self, **changes):
        facts = {"place": "shelf", "location": LocationFactory().pk, "reason": "Back from the band night"}
        return facts | {"request_key": str(uuid4())} | changes

    def test_begins_scans_and_undoes_without_a_script(self, client_as):
        unit, client = InstrumentFactory(place="bench"), client_as("technician")
        begun = client.post(reverse("moves"), self.form())
        batch = MoveBatch.objects.get()
        assert begun.url == reverse("move_batch", args=[batch.pk])
        page = client.post(reverse("move_scan", args=[batch.pk]), {"code": unit.asset_tag, "id": str(uuid4())}, follow=True)
        assert unit.asset_tag in text_of(page)
        undo = reverse("move_scan_undo", args=[batch.pk, MoveScan.objects.get().pk])
        assert "is back where it was" in text_of(client.post(undo, follow=True))

    def test_answers_the_script_with_what_changed_alone(self, client_as, django_assert_max_num_queries):
        unit, batch = InstrumentFactory(place="bench"), MoveBatchFactory()
        client, url = client_as("technician"), reverse("move_scan", args=[batch.pk])
        client.post(url, {"code": "ZZ-1", "id": str(uuid4())})
        with django_assert_max_num_queries(32):
            answer = client.post(url, {"code": unit.asset_tag, "id": str(uuid4())}, headers={"X-Scan": "1"})
        assert "<html" not in answer.content.decode()
        assert 'data-tone="good"' in answer.content.decode()

    def test_the_pages_cost_the_same_however_long_the_round(self, client_as, django_assert_max_num_queries, technician):
        school = SchoolFactory()
        batch = MoveBatchFactory(from_school=school)
        for _ in range(12):
            scan(batch, InstrumentFactory(place="school", place__school=school).asset_tag, technician)
        client = client_as("technician")
        for url in (reverse("move_batch", args=[batch.pk]), reverse("moves")):
            client.get(url)
            with django_assert_max_num_queries(12):
                client.get(url)

    @pytest.mark.parametrize(
        ("changes", "field"), [({"location": ""}, "location"), ({"reason": ""}, "reason"), ({"place": "school"}, "school")]
    )
    def test_says_what_is_missing(self, client_as, changes, field):
        answer = client_as("technician").post(reverse("moves"), self.form(**changes))
        assert (answer.status_code, field in answer.context["form"].errors) == (422, True)
        assert not MoveBatch.objects.exists()

    def test_sent_twice_it_is_one_round(self, client_as):
        client, data = client_as("technician"), self.form()
        assert client.post(reverse("moves"), data).url == client.post(reverse("moves"), data).url

    def test_is_not_for_a_specialist(self, client_as):
        assert client_as("specialist").get(reverse("moves")).status_code == 403


class TestTheDatabase:
    def test_a_round_has_its_keeper_and_a_move_its_custody(self):
        with pytest.raises(IntegrityError, match="move_batch_has_its_keeper"), transaction.atomic():
            MoveBatchFactory(place="school")
        with pytest.raises(IntegrityError, match="move_scan_moved_has_its_move"), transaction.atomic():
            MoveScan.objects.create(
                client_id=uuid4(), batch=MoveBatchFactory(), code="X", verdict="moved", words="", scanned_at=NOW,
                scanned_by=TechnicianFactory(),
            )  # fmt: skip

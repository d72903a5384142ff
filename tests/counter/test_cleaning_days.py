"""A school's cleaning day by scans: who is expected, each verdict, custody in and out, undoing, closing; and the weeks ahead."""

import csv
import datetime
import io
import uuid

import pytest
from django.urls import reverse

from rentals.counter import cleanings as reminders
from rentals.counter.cleaning_days import operations, queries, workload
from rentals.inventory import operations as fleet
from rentals.inventory import queries as inventory
from rentals.inventory.models import Instrument, WorkOrder
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from schools.models import CleaningDay, CleaningVisit
from tests.counter.cleaning_school import DUE_ON, instrument_of, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory
from tests.schools.factories import ProgrammeFactory

pytestmark = pytest.mark.django_db
ON = datetime.date(2026, 9, 15)
NOW = datetime.datetime(2026, 9, 15, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture
def programme():
    return ProgrammeFactory(school__name="Alder School")


@pytest.fixture
def technician():
    return TechnicianFactory()


def plan(programme, technician, **changes):
    facts = {"school": programme.school, "on": ON, "due_until": ON, "location": LocationFactory(), **changes}
    return operations.plan_day(**facts, acting_user=technician, now=NOW)


class Scanner:
    """Scans into a day, a minute apart."""

    def __init__(self, day, technician):
        self.day, self.technician, self.now = day, technician, NOW

    def __call__(self, code, step="in", hand="", key=None):
        self.now += datetime.timedelta(minutes=1)
        return operations.scan(
            day=self.day,
            code=code,
            step=step,
            hand=hand,
            key=key or uuid.uuid4(),
            acting_user=self.technician,
            now=self.now,
        )

    def undo(self, verdict):
        self.now += datetime.timedelta(minutes=1)
        visit = CleaningVisit.objects.select_related("day").get(pk=verdict.undo[0])
        return operations.undo(visit=visit, step=verdict.undo[1], acting_user=self.technician, now=self.now)


@pytest.fixture
def due(programme):
    return instrument_of(rent(programme, tag="CL-1001"))


@pytest.fixture
def scan(due, programme, technician):
    return Scanner(plan(programme, technician), technician)


def place(unit):
    return inventory.get_whereabouts(unit).place


class TestPlanDay:
    def test_expects_what_is_due_at_that_school_and_nothing_else(self, programme, technician):
        due = instrument_of(rent(programme))
        rent(programme, starts_on=datetime.date(2026, 2, 1))
        rent(ProgrammeFactory())
        InstrumentFactory(acquired_on=datetime.date(2020, 1, 1))
        day = plan(programme, technician)
        assert [visit.instrument for visit in day.visits.all()] == [due]

    def test_what_the_school_itself_has_is_expected_too(self, programme, technician):
        lent = InstrumentFactory(place="school", place__school=programme.school, acquired_on=datetime.date(2024, 1, 1))
        assert [visit.instrument for visit in plan(programme, technician).visits.all()] == [lent]

    def test_refuses_the_same_day_twice(self, programme, technician):
        plan(programme, technician)
        with pytest.raises(operations.DayPlannedError, match="open that one"):
            plan(programme, technician)

    def test_the_list_is_brought_up_to_date(self, programme, technician):
        gone, stays = instrument_of(rent(programme)), instrument_of(rent(programme))
        day = plan(programme, technician)
        Instrument.objects.filter(pk=gone.pk).update(last_cleaned_on=DUE_ON)
        new = instrument_of(rent(programme))
        assert operations.bring_up_to_date(day=day, acting_user=technician) == 2
        assert {visit.instrument for visit in day.visits.all()} == {stays, new}


class TestComingIn:
    def test_expected_comes_to_the_bench_with_one_cleaning_order(self, scan, due):
        verdict = scan("cl-1001")
        assert (verdict.tone, verdict.words) == ("good", "Expected: CL-1001")
        assert place(due) == "bench"
        order = WorkOrder.objects.get(instrument=due)
        assert (order.kind, order.problem, order.closed_at) == ("cleaning", "Cleaning day, Alder School", None)

    def test_twice_is_said_and_does_nothing(self, scan, due):
        scan("CL-1001")
        assert scan("CL-1001").words == "Already: CL-1001 is here"
        assert WorkOrder.objects.count() == 1

    def test_the_same_request_twice_gives_the_same_answer(self, scan, due):
        key = uuid.uuid4()
        assert scan("CL-1001", key=key) == scan("CL-1001", key=key)
        with pytest.raises(RequestKeyReusedError):
            scan("CL-1002", key=key)

    def test_not_due_yet_waits_for_a_card(self, scan, programme):
        unit = instrument_of(rent(programme, tag="CL-2002", starts_on=datetime.date(2026, 2, 1)))
        verdict = scan("CL-2002")
        assert (verdict.tone, verdict.words, verdict.hand) == ("warn", "Not due yet: CL-2002", "CL-2002")
        assert "Feb 1, 2027" in verdict.more
        assert place(unit) == "family"
        assert scan(".TAKEIN", hand="CL-2002").words == "Taken in: CL-2002"
        assert place(unit) == "bench"

    def test_wrong_school_says_whose_it_is(self, scan):
        unit = instrument_of(rent(ProgrammeFactory(school__name="Birch School"), tag="CL-3003"))
        verdict = scan("CL-3003")
        assert (verdict.tone, verdict.words) == ("warn", "Wrong school: CL-3003")
        assert "Birch School" in verdict.more
        assert place(unit) == "family"

    @pytest.mark.parametrize(
        ("where", "words"), [("sold", "Sold: FL-9"), ("retired", "Retired: FL-9"), ("lost", "Lost by the books: FL-9")]
    )
    def test_what_left_the_fleet_is_not_taken_in_by_any_card(self, scan, where, words):
        unit = InstrumentFactory(asset_tag="FL-9".ljust(4, "0"), place=where)
        verdict = scan(unit.asset_tag)
        assert verdict.words == words.replace("FL-9", unit.asset_tag)
        assert scan(".TAKEIN", hand=unit.asset_tag).tone == "bad"
        assert place(unit) == where

    @pytest.mark.parametrize("code", ["FL-7777", "<b>", "x" * 500, "; DROP TABLE"])
    def test_what_is_not_ours_is_said(self, scan, code):
        assert scan(code).words.startswith("Not ours:")

    def test_one_in_repair_already_is_cleaned_along_and_stays(self, scan, due, technician):
        fleet.open_work_order(
            instrument=due, kind="repair", problem="Bent key", location=LocationFactory(), acting_user=technician, now=NOW
        )
        assert scan("CL-1001").tone == "good"
        assert scan("CL-1001", "cleaned").tone == "good"
        verdict = scan("CL-1001", "back")
        assert verdict.words == "Stays here: CL-1001"
        assert "Bent key" in verdict.more
        assert WorkOrder.objects.get(kind="repair").closed_at is None


class TestCleanedAndBack:
    def test_back_with_its_family_cleaned_and_no_longer_reminded(self, scan, due):
        assert [each.instrument for each in reminders.list_reminders_due(today=ON)] == [due]
        verdicts = [scan("CL-1001"), scan("CL-1001", "cleaned"), scan("CL-1001", "back")]
        assert [verdict.tone for verdict in verdicts] == ["good"] * 3
        here = inventory.get_whereabouts(due)
        assert (here.place, here.custody.household) == ("family", due.agreement_units.get().agreement.household)
        due.refresh_from_db()
        assert due.last_cleaned_on == ON
        assert reminders.list_reminders_due(today=ON + datetime.timedelta(days=300)) == []

    def test_what_the_school_had_goes_back_to_the_school(self, programme, technician):
        unit = InstrumentFactory(
            asset_tag="VA-100", place="school", place__school=programme.school, acquired_on=datetime.date(2024, 1, 1)
        )
        scan = Scanner(plan(programme, technician), technician)
        for step in ("in", "cleaned", "back"):
            assert scan("VA-100", step).tone == "good"
        assert inventory.get_whereabouts(unit).custody.school == programme.school

    def test_nothing_is_cleaned_that_was_not_scanned_in(self, scan, due):
        assert scan("CL-1001", "cleaned").words == "Not scanned in: CL-1001"
        due.refresh_from_db()
        assert due.last_cleaned_on is None

    def test_nothing_goes_back_uncleaned(self, scan, due):
        scan("CL-1001")
        assert scan("CL-1001", "back").words == "Not cleaned yet: CL-1001"
        assert place(due) == "bench"


class TestUndo:
    def test_each_step_is_taken_back(self, scan, due):
        came = scan("CL-1001")
        cleaned = scan("CL-1001", "cleaned")
        back = scan("CL-1001", "back")
        assert scan.undo(back).tone == "good"
        assert place(due) == "bench"
        assert scan.undo(cleaned).tone == "good"
        due.refresh_from_db()
        assert due.last_cleaned_on is None
        assert scan.undo(came).tone == "good"
        assert (place(due), WorkOrder.objects.filter(closed_at=None).count()) == ("family", 0)
        visit = CleaningVisit.objects.get()
        assert (visit.came_at, visit.cleaned_at, visit.back_at, visit.is_expected) == (None, None, None, True)

    def test_it_can_be_scanned_again_after_that(self, scan, due):
        scan.undo(scan("CL-1001"))
        assert [scan("CL-1001", step).tone for step in ("in", "cleaned", "back")] == ["good"] * 3

    def test_one_that_was_not_on_the_list_leaves_it(self, scan, programme):
        rent(programme, tag="CL-2002", starts_on=datetime.date(2026, 2, 1))
        scan("CL-2002")
        scan.undo(scan(".TAKEIN", hand="CL-2002"))
        assert CleaningVisit.objects.count() == 1

    def test_only_the_last_step(self, scan, due):
        came = scan("CL-1001")
        scan("CL-1001", "cleaned")
        assert scan.undo(came).words == "Not undone: CL-1001"
        assert place(due) == "bench"


class TestCloseDay:
    def test_who_did_not_come_stays_listed_as_missed(self, scan, technician, programme):
        rent(programme, tag="CL-1002")
        operations.bring_up_to_date(day=scan.day, acting_user=technician)
        scan("CL-1001")
        operations.close_day(day=scan.day, acting_user=technician, now=scan.now)
        sheet = queries.get_sheet(CleaningDay.objects.get())
        assert [(line.visit.instrument.asset_tag, line.words[0]) for line in sheet.lines] == [
            ("CL-1001", "To be cleaned"),
            ("CL-1002", "Missed"),
        ]
        with pytest.raises(operations.DayOverError, match="open it again"):
            scan("CL-1002")

    def test_is_opened_again(self, scan, technician):
        operations.close_day(day=scan.day, acting_user=technician, now=NOW)
        operations.open_again(day=scan.day, acting_user=technician)
        assert scan("CL-1001").tone == "good"


class TestDayScreen:
    def post(self, client, day, **data):
        return client.post(reverse("cleaning_day_scan", args=[day.pk]), {"key": uuid.uuid4(), "step": "in", **data})

    @pytest.fixture
    def client(self, client_as, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: ON)
        monkeypatch.setattr(clock, "now", lambda: NOW)
        return client_as("technician")

    def test_plans_a_day_and_says_how_many(self, client, programme, due):
        data = {"school": programme.school_id, "on": "2026-09-15", "due_until": "2026-09-30", "location": LocationFactory().pk}
        page = client.post(reverse("cleaning_day_plan"), data, follow=True).content.decode()
        assert "Planned: 1 instrument expected from Alder School." in page

    @pytest.mark.parametrize(
        ("changes", "said"),
        [
            ({"on": "2026-09-14"}, "That day is past"),
            ({"due_until": "2026-09-01"}, "before the cleaning day"),
            ({"due_until": "2028-01-01"}, "more than a year ahead"),
            ({"school": ""}, "Choose whose instruments come."),
        ],
    )
    def test_says_what_is_wrong_and_keeps_the_rest(self, client, programme, changes, said):
        data = {"school": programme.school_id, "on": "2026-09-15", "due_until": "2026-09-30", "location": LocationFactory().pk}
        answer = client.post(reverse("cleaning_day_plan"), data | changes)
        assert answer.status_code == 422
        assert said in answer.content.decode()
        assert not CleaningDay.objects.exists()

    def test_a_card_switches_the_step_and_the_next_scan_goes_by_it(self, client, scan, due):
        self.post(client, scan.day, code="CL-1001")
        page = self.post(client, scan.day, code=".CLEANED").content.decode()
        assert 'name="step" value="cleaned" form="desk"' in page
        assert "Cleaned: CL-1001" in self.post(client, scan.day, code="CL-1001", step="cleaned").content.decode()

    @pytest.mark.parametrize("code", [".READY", ".NOSUCH"])
    def test_a_card_that_means_nothing_here_is_said(self, client, scan, code):
        assert "This card does nothing here" in self.post(client, scan.day, code=code).content.decode()

    def test_a_broken_key_takes_nothing_in(self, client, scan, due):
        answer = client.post(reverse("cleaning_day_scan", args=[scan.day.pk]), {"code": "CL-1001", "key": "x", "step": "in"})
        assert answer.status_code == 422
        assert place(due) == "family"

    def test_a_long_list_costs_no_more_queries_and_names_nobody(
        self, client, programme, technician, django_assert_max_num_queries
    ):
        names = {rent(programme).household.name for _ in range(8)}
        day = plan(programme, technician)
        with django_assert_max_num_queries(12):
            page = client.get(reverse("cleaning_day", args=[day.pk])).content.decode()
        assert not any(name in page for name in names)

    def test_is_not_for_the_bookkeeper(self, client_as, scan):
        assert client_as("bookkeeper").get(reverse("cleaning_day", args=[scan.day.pk])).status_code == 403


class TestWorkload:
    TODAY = datetime.date(2026, 9, 9)  # a Wednesday

    def test_by_week_and_school_as_reckoned_by_hand(self, programme):
        birch = ProgrammeFactory(school__name="Birch School")
        rent(programme)  # due on Thursday of this week
        rent(programme, starts_on=datetime.date(2025, 9, 8))  # due yesterday: overdue
        rent(birch, starts_on=datetime.date(2025, 9, 14))  # due on Monday, 14 September
        rent(birch, starts_on=datetime.date(2025, 11, 2))  # due on Monday, 2 November: the ninth week, too far
        InstrumentFactory(acquired_on=datetime.date(2025, 11, 1))  # due on Sunday of the eighth week, of no school
        load = workload.measure_workload(today=self.TODAY, minutes_of={})
        weeks = {monday.isoformat(): each.count for monday, each in load.weeks.items() if each.count}
        assert weeks == {"2026-09-07": 1, "2026-09-14": 1, "2026-10-26": 1}
        assert (load.overdue.count, load.count, load.minutes) == (1, 4, 120)
        shares = [(school.name, school.overdue.count, school.ahead.count) for school in load.schools]
        assert shares == [("Alder School", 1, 1), ("Birch School", 0, 1), ("", 0, 1)]

    def test_minutes_by_kind(self, programme):
        rent(programme)
        assert workload.measure_workload(today=self.TODAY, minutes_of={"clarinet": 45}).minutes == 45

    def test_one_query_however_many_there_are(self, programme, django_assert_num_queries):
        for _ in range(5):
            rent(programme)
        with django_assert_num_queries(1):
            assert workload.measure_workload(today=self.TODAY, minutes_of={}).count == 5

    def test_screen_says_what_fits(self, client_as, programme, monkeypatch, django_assert_max_num_queries):
        monkeypatch.setattr(clock, "today", lambda: self.TODAY)
        for _ in range(3):
            rent(programme)
        client = client_as("technician")
        with django_assert_max_num_queries(12):
            page = client.get(reverse("cleanings_ahead"), {"hours": "1"}).content.decode()
        assert "Over by 30 min" in page
        assert "Fits" in page
        rows = list(csv.reader(io.StringIO(b"".join(client.get(reverse("cleanings_ahead_csv"))).decode("utf-8-sig"))))
        assert rows[1][:3] == ["Alder School", "0", "3"]


class TestDueScreen:
    @pytest.fixture
    def client(self, client_as, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: ON)
        return client_as("technician")

    def test_narrows_by_school_and_place_and_the_file_is_the_same(self, client, programme, django_assert_max_num_queries):
        mine = instrument_of(rent(programme, tag="CL-1001"))
        rent(ProgrammeFactory(), tag="CL-1002")
        InstrumentFactory(asset_tag="CL-1003", acquired_on=datetime.date(2024, 1, 1))
        with django_assert_max_num_queries(12):
            shown = client.get(reverse("cleanings"), {"school": mine.agreement_units.get().agreement.programme.school_id})
        assert [row["instrument"].asset_tag for row in shown.context["rows"]] == ["CL-1001"]
        shown = client.get(reverse("cleanings"), {"place": "shelf"})
        assert [row["instrument"].asset_tag for row in shown.context["rows"]] == ["CL-1003"]
        answer = client.get(reverse("cleanings_csv"), {"place": "family"})
        rows = list(csv.reader(io.StringIO(b"".join(answer).decode("utf-8-sig"))))
        assert [row[0] for row in rows[1:]] == ["CL-1001", "CL-1002"]
        assert {row[4] for row in rows[1:]} == {""}, "a technician reads no household's name"

    def test_says_what_is_to_be_minded(self, client, programme):
        rent(programme)
        page = client.get(reverse("cleanings")).content.decode()
        assert "Reeds are never shared" in page
        assert "The product&#x27;s label, local safety rules" in page or "The product's label, local safety rules" in page

    @pytest.mark.parametrize("query", [{"school": "x"}, {"school": "9" * 40}, {"ahead": "-1"}, {"place": "\0"}, {"page": "x"}])
    def test_nonsense_in_the_address_narrows_nothing(self, client, programme, query):
        rent(programme)
        assert len(client.get(reverse("cleanings"), query).context["rows"]) == 1

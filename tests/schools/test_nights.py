"""Sign-up nights: planned, changed, called off; and what the database refuses about them."""

import datetime
import uuid

import psycopg
import pytest
from django.db import IntegrityError, transaction

from schools import nights
from schools.models import Night, NightStaff
from tests.factories import ManagerFactory, SpecialistFactory, TechnicianFactory
from tests.inventory.factories import LocationFactory
from tests.schools.factories import NightFactory, NightUnitFactory, ProgrammeFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 20, 16, 0, tzinfo=datetime.UTC)


@pytest.fixture
def programme():
    return ProgrammeFactory(school__name="Alder School", school__district="Prairie")


def facts(programme, **changes):
    people = changes.pop("staff", None) or [SpecialistFactory()]
    given = {
        "on": datetime.date(2026, 11, 30),
        "begins_at": datetime.time(17, 30),
        "ends_at": datetime.time(20),
        "room": "Gym",
        "expected_families": 40,
        "location": LocationFactory(),
        "programmes": [programme],
        "staff": people,
        "lead": people[0],
    }
    return nights.NightFacts(**{**given, **changes})


def plan(programme, key=None, **changes):
    return nights.plan_night(
        school=programme.school,
        facts=facts(programme, **changes),
        request_key=key or uuid.uuid4(),
        acting_user=ManagerFactory(),
        now=NOW,
    )


class TestPlanNight:
    def test_keeps_who_comes_and_who_leads(self, programme):
        night = plan(programme)
        assert (night.state, list(night.programmes.all()), night.expected_families) == ("planned", [programme], 40)
        assert NightStaff.objects.get(night=night).is_lead

    def test_sent_again_is_the_same_night(self, programme):
        key, staff = uuid.uuid4(), [SpecialistFactory()]
        assert plan(programme, key, staff=staff) == plan(programme, key, staff=staff)

    def test_refuses_a_second_night_on_the_day_and_allows_one_after_calling_off(self, programme):
        first = plan(programme)
        with pytest.raises(nights.NightPlannedError) as refused:
            plan(programme)
        assert refused.value.night == first
        nights.call_off_night(night=first, version=1, acting_user=ManagerFactory(), now=NOW)
        assert plan(programme).pk != first.pk

    def test_asks_programmes_of_the_district_and_no_other(self, programme):
        neighbor = ProgrammeFactory(school__district="Prairie")
        assert set(plan(programme, programmes=[programme, neighbor]).programmes.all()) == {programme, neighbor}
        stranger = ProgrammeFactory(school__district="Coast")
        with pytest.raises(nights.NightNotForProgrammeError, match="another district"):
            plan(programme, on=datetime.date(2026, 12, 1), programmes=[stranger])

    def test_a_school_without_a_district_asks_only_its_own(self):
        alone, other = (ProgrammeFactory(school__district="") for _ in range(2))
        assert other not in nights.list_programmes_for(alone.school)


class TestChangeNight:
    def test_changes_what_is_written(self, programme):
        night, manager = plan(programme), ManagerFactory()
        people = [SpecialistFactory(), manager]
        changed = nights.change_night(
            night=night, version=1, facts=facts(programme, room="Cafeteria", staff=people, lead=manager), acting_user=manager
        )
        assert (changed.room, changed.version) == ("Cafeteria", 2)
        assert NightStaff.objects.get(night=night, is_lead=True).user == manager

    def test_refuses_what_was_written_over_meanwhile(self, programme):
        night, manager = plan(programme), ManagerFactory()
        nights.change_night(night=night, version=1, facts=facts(programme, room="Cafeteria"), acting_user=manager)
        with pytest.raises(nights.NightChangedError):
            nights.change_night(night=night, version=1, facts=facts(programme, room="Library"), acting_user=manager)
        assert Night.objects.get(pk=night.pk).room == "Cafeteria"

    def test_leaves_a_closed_night_alone(self, programme):
        night, manager = plan(programme), ManagerFactory()
        Night.objects.filter(pk=night.pk).update(state="closed", opened_at=NOW, ended_at=NOW, ended_by=manager)
        with pytest.raises(nights.NightOverError, match="closed"):
            nights.change_night(night=night, version=1, facts=facts(programme), acting_user=manager)


class TestCallOffNight:
    def test_stays_called_off(self, programme):
        night, manager = plan(programme), ManagerFactory()
        for _ in range(2):
            assert nights.call_off_night(night=night, version=1, acting_user=manager, now=NOW).state == "called_off"

    def test_waits_for_the_van_to_be_unloaded(self, programme):
        night, manager = plan(programme), ManagerFactory()
        unit = NightUnitFactory(night=night)
        nights.open_if_planned(night, NOW)
        with pytest.raises(nights.NightHasInstrumentsError, match="1 instrument is in the van"):
            nights.call_off_night(night=night, version=1, acting_user=manager, now=NOW)
        unit.ended_at, unit.ended_by, unit.outcome = unit.loaded_at, manager, "back"
        unit.save()
        called_off = nights.call_off_night(night=night, version=1, acting_user=manager, now=NOW)
        assert (called_off.state, called_off.opened_at) == ("called_off", None)

    def test_is_refused_once_a_family_has_an_instrument(self, programme):
        night, manager = plan(programme), ManagerFactory()
        NightUnitFactory(night=night, ended_at=NOW + datetime.timedelta(days=11), ended_by=manager, outcome="given")
        with pytest.raises(nights.NightHasInstrumentsError, match="close it instead"):
            nights.call_off_night(night=night, version=1, acting_user=manager, now=NOW)


def test_lists_what_is_along_and_free_only():
    night = NightFactory()
    along = NightUnitFactory(night=night)
    NightUnitFactory(night=night, ended_at=along.loaded_at, ended_by=night.made_by, outcome="given")
    NightUnitFactory()
    assert list(nights.list_along(night)) == [along]


def test_offers_specialists_and_managers_as_staff():
    people = {SpecialistFactory(), ManagerFactory()}
    TechnicianFactory()
    SpecialistFactory(is_active=False)
    assert set(nights.list_staff()) == people


class TestDatabase:
    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ("ends_at = begins_at", "night_ends_after_it_begins"),
            ("expected_families = 0", "night_families_sane"),
            ("state = 'open'", "night_state_has_its_times"),
            ("state = 'called_off', opened_at = now(), ended_at = now()", "night_state_has_its_times"),
        ],
    )
    @pytest.mark.django_db(transaction=True)
    def test_refuses(self, app_cursor, changes, constraint):
        night = NightFactory()
        with pytest.raises(psycopg.errors.CheckViolation, match=constraint):
            app_cursor.execute(f"UPDATE schools_night SET {changes} WHERE id = %s", [night.pk])

    def test_keeps_an_instrument_off_a_second_van(self):
        along = NightUnitFactory()
        with pytest.raises(IntegrityError, match="night_unit_along_once"), transaction.atomic():
            NightUnitFactory(instrument=along.instrument)

    def test_keeps_one_lead(self):
        night = NightFactory()
        NightStaff.objects.create(night=night, user=SpecialistFactory(), is_lead=True)
        with pytest.raises(IntegrityError, match="night_one_lead"), transaction.atomic():
            NightStaff.objects.create(night=night, user=SpecialistFactory(), is_lead=True)

    def test_is_once_per_school_and_day(self):
        programme = ProgrammeFactory()
        there = {"school": programme.school, "programmes": [programme]}
        NightFactory(**there, state="called_off", ended_at=NOW, ended_by=SpecialistFactory())
        NightFactory(**there)
        with pytest.raises(IntegrityError, match="night_once_per_school_and_day"), transaction.atomic():
            NightFactory(**there)

"""The screens of planning a night: the list, the form, one night, calling off; who may open them."""

import datetime

import pytest
from django.urls import reverse

from rentals.counter.nights.planning.forms import read_time, write_time
from rentals.runtime import clock
from schools.models import Night
from tests.factories import ManagerFactory, SpecialistFactory
from tests.inventory.factories import LocationFactory
from tests.schools.factories import NightFactory, NightUnitFactory, ProgrammeFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return ProgrammeFactory(school__name="Alder School")


def answers(programme, **changes):
    on = clock.today() + datetime.timedelta(days=7)
    given = {"on": f"{on:%m/%d/%Y}", "begins_at": "5:30 pm", "ends_at": "20:00", "room": "Gym", "expected_families": "40"}
    given |= {"programmes": programme.pk, "location": LocationFactory().pk, "notes": "Bring the long table"}
    return {**given, **changes}


def add_url(programme):
    return f"{reverse('night_add')}?school={programme.school_id}"


class TestPlanning:
    def test_plans_a_night(self, client_as, programme):
        lead = SpecialistFactory()
        answer = client_as("manager").post(add_url(programme), answers(programme, staff=lead.pk, lead=lead.pk))
        night = Night.objects.get()
        assert answer.url == reverse("night", args=[night.pk])
        assert (night.begins_at, night.ends_at) == (datetime.time(17, 30), datetime.time(20))
        assert night.staff.get().is_lead

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"begins_at": "late"}, "Write a time of day, like 5:30 PM."),
            ({"ends_at": "5 pm"}, "Doors close after they open"),
            ({"on": "01/05/2020"}, "That day is past"),
            ({"programmes": []}, "Tick at least one programme"),
            ({"expected_families": "0"}, "greater than or equal to 1"),
            ({"location": "nowhere"}, "Select a valid choice"),
        ],
    )
    def test_says_what_is_wrong_and_loses_nothing(self, client_as, programme, changes, words):
        answer = client_as("manager").post(add_url(programme), answers(programme, **changes))
        assert answer.status_code == 422
        assert words in answer.text
        assert "Bring the long table" in answer.text

    def test_the_lead_works_there(self, client_as, programme):
        lead = SpecialistFactory(name="Kim Leads")
        answer = client_as("manager").post(add_url(programme), answers(programme, lead=lead.pk))
        assert answer.status_code == 422
        assert "Kim Leads is not ticked among those who work there" in answer.text

    def test_asks_for_the_school_first(self, client_as, programme):
        client = client_as("manager")
        assert "Alder School" in client.get(reverse("night_add")).text
        assert client.get(f"{reverse('night_add')}?school=x").status_code == 422

    def test_offers_what_held_last_time(self, client_as, programme):
        NightFactory(
            school=programme.school,
            programmes=[programme],
            room="Cafeteria",
            begins_at=datetime.time(18),
            ends_at=datetime.time(21),
        )
        shown = client_as("manager").get(add_url(programme)).text
        assert 'value="Cafeteria"' in shown
        assert 'value="6:00 PM"' in shown


class TestChanging:
    def test_a_stale_form_is_told_what_it_says_now(self, client_as, programme):
        night = NightFactory(school=programme.school, programmes=[programme], on=clock.today())
        client, sent = client_as("manager"), answers(programme, version="1", room="Library")
        assert client.post(reverse("night_change", args=[night.pk]), sent).status_code == 302
        answer = client.post(reverse("night_change", args=[night.pk]), {**sent, "room": "Aula"})
        assert answer.status_code == 409
        assert "It says now" in answer.text
        assert "Library" in answer.text
        assert 'value="Aula"' in answer.text
        assert 'name="version" value="2"' in answer.text

    def test_calls_off_after_asking(self, client_as):
        night, client = NightFactory(), client_as("manager")
        url = reverse("night_call_off", args=[night.pk])
        assert "Call off this night?" in client.get(url).text
        assert client.post(url, {"version": "7"}).status_code == 409
        client.post(url, {"version": "1"})
        assert Night.objects.get().state == "called_off"

    def test_says_that_the_van_is_loaded(self, client_as):
        unit = NightUnitFactory()
        answer = client_as("manager").post(reverse("night_call_off", args=[unit.night_id]), {"version": "1"})
        assert answer.status_code == 409
        assert "unload first" in answer.text


class TestList:
    def test_shows_coming_nights_before_those_over(self, client_as):
        over = NightFactory(school__name="Past School", on=datetime.date(2026, 1, 5))
        Night.objects.filter(pk=over.pk).update(
            state="closed", opened_at=clock.now(), ended_at=clock.now(), ended_by=over.made_by
        )
        NightFactory(school__name="Coming School")
        shown = client_as("technician").get(reverse("nights")).text
        assert shown.index("Coming School") < shown.index("Past School")
        assert "Plan a night" not in shown

    def test_is_inviting_when_empty(self, client_as):
        assert "No nights planned yet." in client_as("specialist").get(reverse("nights")).text

    def test_asks_the_database_little(self, client_as, django_assert_max_num_queries):
        for _ in range(12):
            NightUnitFactory()
        client = client_as("manager")
        with django_assert_max_num_queries(12):
            client.get(reverse("nights"))


@pytest.mark.parametrize("name", ["night_add", "night_change", "night_call_off"])
def test_technicians_do_not_plan(client_as, name):
    args = [] if name == "night_add" else [NightFactory().pk]
    assert client_as("technician").get(reverse(name, args=args)).status_code == 403


def test_an_unknown_night_is_not_found(client_as):
    for name in ("night", "night_change", "night_call_off"):
        assert client_as(ManagerFactory()).get(reverse(name, args=[4711])).status_code == 404


@pytest.mark.parametrize("hour", [0, 1, 11, 12, 13, 23])
def test_a_time_is_read_as_it_is_written(hour):
    time = datetime.time(hour, 5)
    assert read_time(write_time(time)) == time


@pytest.mark.parametrize("wrong", ["", "noon", "13 pm", "0:30 am", "12:60", "1:2", "5;30"])
def test_what_is_no_time_is_refused(wrong):
    assert read_time(wrong) is None

"""The waiting line at the door, on the wall and for tablets."""

import json
import uuid

import pytest
from django.urls import reverse

from rentals.runtime import clock
from schools import line
from schools.models import NightStaff, NightTablet, WaitingNumber
from tests.factories import SpecialistFactory
from tests.schools.factories import NightFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def night():
    return NightFactory()


@pytest.fixture
def client(client_as, night):
    """A specialist who works at the night."""
    found = client_as("specialist")
    NightStaff.objects.create(night=night, user=found.user)
    return found


def url(name, night, *rest):
    return reverse(name, args=[night.pk, *rest])


def take(night, count=1, **words):
    who = SpecialistFactory()
    words = {"night": night, "acting_user": who, **words}
    return [line.take_a_number(request_key=uuid.uuid4(), now=clock.now(), **words) for _ in range(count)]


class TestDoor:
    def test_one_tap_gives_a_number_and_shows_it_large(self, client, night):
        answer = client.post(url("night_line", night), {"note": "m.k.", "request_key": uuid.uuid4()}, follow=True)
        assert WaitingNumber.objects.get().note == "MK"
        assert '<p class="line-taken-number">1</p>' in answer.text

    def test_sent_twice_is_one_number(self, client, night):
        form = {"note": "", "request_key": str(uuid.uuid4())}
        for _ in range(2):
            client.post(url("night_line", night), form)
        assert WaitingNumber.objects.count() == 1

    def test_a_code_without_a_form_counts_as_a_note_and_says_so(self, client, night):
        answer = client.post(url("night_line", night), {"note": "k7qx", "request_key": uuid.uuid4()}, follow=True)
        assert "No form from home has the code K7QX" in answer.text
        assert WaitingNumber.objects.get().door == "door"

    def test_a_name_is_refused_and_stays_typed(self, client, night):
        answer = client.post(url("night_line", night), {"note": "José Rivera", "request_key": uuid.uuid4()})
        assert answer.status_code == 422
        assert "letters and digits only, no name" in answer.text
        assert not WaitingNumber.objects.exists()

    def test_three_hundred_who_wait_cost_as_much_as_three(self, client, night, django_assert_max_num_queries):
        take(night, 60)
        with django_assert_max_num_queries(12):
            client.get(url("night_line", night))

    def test_asked_for_by_itself_it_gives_the_line_only(self, client, night):
        take(night)
        page = client.get(url("night_line", night), headers={"HX-Request": "true"}).text
        assert "<html" not in page
        assert '<span class="line-number">1</span>' in page


class TestTable:
    def test_calls_and_finishes(self, client, night):
        take(night, 2)
        assert "Call number 1." in client.post(url("night_next", night), follow=True).text
        client.post(url("night_number", night, 1), {"act": "done"})
        assert line.get_line(night, now=clock.now()).done == 1
        assert "Number 2 went home." in client.post(url("night_number", night, 2), {"act": "gone"}, follow=True).text
        assert "Nobody waits." in client.post(url("night_next", night), follow=True).text

    def test_who_was_faster_is_said(self, client, night):
        (number,) = take(night)
        line.leave(number=number, now=clock.now())
        answer = client.post(url("night_number", night, 1), {"act": "done"}, follow=True)
        assert "Number 1 is gone already" in answer.text

    def test_a_number_of_another_night_is_not_found(self, client, night):
        take(night)
        assert client.post(url("night_number", NightFactory(), 1), {"act": "gone"}).status_code == 404


class TestTablets:
    def post(self, client, where, **sent):
        headers = {"Accept": "application/json"}
        return client.post(where, json.dumps(sent), content_type="application/json", headers=headers)

    def test_the_next_family_for_a_tablet(self, client, night):
        take(night, 1, note="K7QX", from_home=True)
        take(night, 1, note="MK")
        device = str(uuid.uuid4())
        first = self.post(client, url("night_next", night), device=device).json()
        assert first == {"number": 1, "code": "K7QX", "note": "", "waiting": 1, "wait_minutes": None}
        assert self.post(client, url("night_next", night), device=device).json()["note"] == "MK"
        assert self.post(client, url("night_next", night), device=device).json()["number"] is None
        assert str(WaitingNumber.objects.get(number=1).device) == device

    def test_an_answer_that_was_lost_is_given_again(self, client, night):
        take(night, 2)
        device = str(uuid.uuid4())
        told = [
            self.post(client, url("night_next", night), device=device, heard=heard).json()["number"] for heard in (None, None, 1)
        ]
        assert told == [1, 1, 2]

    def test_the_line_in_figures(self, client, night):
        take(night, 2)
        told = client.get(url("night_line", night), {"format": "json"}).json()
        assert told == {"waiting": 2, "numbers": [1, 2], "called": [], "done": 0, "minutes": None, "wait_minutes": None}

    def test_a_beat_is_kept(self, client, night):
        device = str(uuid.uuid4())
        answer = self.post(client, url("tablet_beat", night), device=device, waiting=3, attention=1, oldest_minutes=7)
        assert answer.json() == {"waiting": 3}
        assert (NightTablet.objects.get().held, str(NightTablet.objects.get().device)) == (4, device)

    @pytest.mark.parametrize("sent", [{}, {"device": "x", "waiting": 1}, {"device": str(uuid.uuid4()), "waiting": -1}])
    def test_what_is_no_beat_is_refused(self, client, night, sent):
        assert self.post(client, url("tablet_beat", night), **sent).status_code == 422
        assert not NightTablet.objects.exists()

    def test_rubbish_is_refused_kindly(self, client, night):
        where = url("tablet_beat", night)
        assert client.post(where, "{", content_type="application/json").status_code == 422


class TestWall:
    def test_numbers_only(self, client, night):
        take(night, 1, note="MK")
        line.call_next(night=night, acting_user=SpecialistFactory(name="Wanda Visible"), now=clock.now())
        page = client.get(url("night_line_display", night)).text
        assert '<li class="wall-newest">1</li>' in page
        assert "MK" not in page
        assert "Wanda" not in page


class TestWhoWorksThere:
    """Others may look at the line; the night's people, its lead and managers change it."""

    ACTS = (
        ("night_line", (), {"note": "MK", "request_key": "8c6f2a52-5f4b-4be1-9c53-0f5f3f6f2f10"}),
        ("night_next", (), {}),
        ("night_number", (1,), {"act": "gone"}),
        ("night_open", (), {}),
        ("night_closing", (), {"note": ""}),
    )

    def test_others_look_and_change_nothing(self, client_as, night):
        take(night)
        other = client_as("specialist")
        NightStaff.objects.create(night=NightFactory(), user=other.user)  # works, but at another night
        page = other.get(url("night_line", night)).text
        assert "You may look." in page
        for words in ("Give a number", "Call the next", "Went home"):
            assert words not in page
        assert other.get(url("night_board", night)).status_code == other.get(url("night_closing", night)).status_code == 200
        for name, rest, sent in self.ACTS:
            answer = other.post(url(name, night, *rest), sent)
            assert answer.status_code == 403
            assert "You are not among the people of" in answer.text
        row = WaitingNumber.objects.get()
        assert (row.called_at, row.left_at, row.done_at) == (None, None, None)
        night.refresh_from_db()
        assert night.state == "planned"

    def test_hands_no_file_over_for_another_night(self, client_as, night):
        other = client_as("specialist")
        tablet = line.report(
            night=night, device=uuid.uuid4(), waiting=1, attention=0, oldest_minutes=1, acting_user=other.user, now=clock.now()
        )
        assert other.post(url("night_hand_over", night, tablet.pk), {"note": "Bea"}).status_code == 403

    @pytest.mark.parametrize("who", ["works there", "lead", "manager"])
    def test_its_people_its_lead_and_managers_change_it(self, client_as, night, who):
        take(night, 2)
        client = client_as("manager" if who == "manager" else "specialist")
        if who != "manager":
            NightStaff.objects.create(night=night, user=client.user, is_lead=who == "lead")
        assert "Call the next" in client.get(url("night_line", night)).text
        assert "Call number 1." in client.post(url("night_next", night), follow=True).text
        assert "Number 2 went home." in client.post(url("night_number", night, 2), {"act": "gone"}, follow=True).text
        client.post(url("night_open", night))
        night.refresh_from_db()
        assert night.state == "open"

    def test_a_beat_is_heard_from_whoever_has_the_tablet(self, client_as, night):
        sent = {"device": str(uuid.uuid4()), "waiting": 2, "attention": 0, "oldest_minutes": 4}
        answer = client_as("specialist").post(url("tablet_beat", night), json.dumps(sent), content_type="application/json")
        assert answer.json() == {"waiting": 2}

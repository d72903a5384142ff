"""Talks with schools, and what is to be done next by which day."""

import datetime
import uuid

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from rentals.runtime import clock
from rentals.staff.models import Role
from rentals.staff.today import list_waiting
from schools import contacts
from schools.models import Contact
from tests.factories import UserFactory
from tests.schools.factories import ContactFactory, SchoolFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 11, 28)
NOW = datetime.datetime(2026, 11, 28, 16, 0, tzinfo=datetime.UTC)
TALK = {"with_whom": "Jo Baton", "how": "phone", "about": "Twelve violins", "next_step": "Send the sizes"}


def sent(**changes) -> dict[str, str]:
    today = clock.today()
    by = today + datetime.timedelta(days=3)
    plain = {**TALK, "on": today.strftime("%m/%d/%Y"), "next_on": by.strftime("%m/%d/%Y"), "request_key": str(uuid.uuid4())}
    return {**plain, **changes}


def refused(column: str, value: str) -> str:
    contact = ContactFactory()
    with pytest.raises(IntegrityError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE schools_contact SET {column} = {value} WHERE id = %s", [contact.pk])
    return str(caught.value)


class TestDatabase:
    @pytest.mark.parametrize(
        ("column", "value", "name"),
        [
            ("next_on", "NULL", "contact_next_step_has_its_day"),
            ("next_step", "''", "contact_next_step_has_its_day"),
            ("done_at", "now()", "contact_step_done_by_someone"),
            ("done_by_id", "made_by_id", "contact_step_done_by_someone"),
        ],
    )
    def test_refuses_halves(self, column, value, name):
        assert name in refused(column, value)

    def test_refuses_a_step_done_before_the_talk_was_written_down(self):
        contact = ContactFactory()
        with pytest.raises(IntegrityError, match="contact_step_done_by_someone"), transaction.atomic():
            Contact.objects.filter(pk=contact.pk).update(
                done_at=contact.made_at - datetime.timedelta(hours=1), done_by=contact.made_by
            )


class TestWriteDown:
    def test_once_for_each_key_and_shown_on_the_school(self, client_as):
        school, client, data = SchoolFactory(), client_as("specialist"), sent()
        for _ in range(2):
            answer = client.post(reverse("contact_add", args=[school.pk]), data)
            assert answer.url == reverse("school", args=[school.pk])
        made = Contact.objects.get()
        assert (made.with_whom, made.next_step, made.made_by) == ("Jo Baton", "Send the sizes", client.user)
        for name in ("school", "school_contacts"):
            assert "Twelve violins" in client.get(reverse(name, args=[school.pk])).text

    @pytest.mark.parametrize(
        ("changes", "said"),
        [
            ({"about": ""}, "Write in a few words what it was about."),
            ({"next_on": ""}, "Write by which day the next step is to be done."),
            ({"next_step": ""}, "Write what is to be done by that day, or leave the day empty."),
            ({"next_on": "01/02/2020"}, "That is before the talk: choose a later day."),
            ({"on": "01/02/2099", "next_on": "01/03/2099"}, "This day is still to come"),
        ],
    )
    def test_says_what_is_wrong_and_keeps_what_was_typed(self, client_as, changes, said):
        answer = client_as("specialist").post(reverse("contact_add", args=[SchoolFactory().pk]), sent(**changes))
        assert answer.status_code == 422
        assert said in answer.text
        assert 'value="Jo Baton"' in answer.text
        assert not Contact.objects.exists()

    def test_readers_may_not_write(self, client_as):
        contact, reader = ContactFactory(), client_as("bookkeeper")
        reader.post(reverse("contact_add", args=[contact.school_id]), sent())
        reader.post(reverse("contact_done", args=[contact.pk]))
        assert Contact.objects.filter(done_at=None).count() == 1


class TestNextSteps:
    def test_the_most_urgent_first_and_ticked_off_they_are_gone(self, client_as):
        later = ContactFactory(next_step="Later", next_on=datetime.date(2026, 12, 9))
        first = ContactFactory(next_step="First", next_on=datetime.date(2026, 11, 27))
        ContactFactory(next_step="", next_on=None)
        assert list(contacts.list_next_steps()) == [first, later]
        assert contacts.count_due(TODAY) == 1
        client = client_as("specialist")
        answer = client.post(reverse("contact_done", args=[first.pk]), {"from": "next_steps"})
        assert answer.url == reverse("next_steps")
        assert list(contacts.list_next_steps()) == [later]
        page = client.get(reverse("next_steps")).text
        assert "Later" in page
        assert "First" not in page.replace("Done: First", "")

    def test_who_ticked_it_first_stays_written(self):
        contact, mina, theo = ContactFactory(), UserFactory(), UserFactory()
        for user in (mina, theo):
            contacts.tick_off(contact_id=contact.pk, acting_user=user, now=NOW)
        contact.refresh_from_db()
        assert contact.done_by == mina

    def test_a_talk_that_left_nothing_has_nothing_to_tick(self):
        contact = ContactFactory(next_step="", next_on=None)
        with pytest.raises(contacts.NoNextStepError, match="left nothing to be done"):
            contacts.tick_off(contact_id=contact.pk, acting_user=UserFactory(), now=NOW)

    def test_the_first_page_counts_what_is_due(self):
        ContactFactory(next_on=TODAY)
        ContactFactory(next_on=TODAY + datetime.timedelta(days=1))
        waiting = list_waiting(user=UserFactory(role=Role.SPECIALIST), today=TODAY)
        assert [each.count for each in waiting if each.label == "Next steps with schools"] == [1]

    def test_the_pages_cost_the_same_for_long_lists(self, client_as, django_assert_max_num_queries):
        school, client = SchoolFactory(), client_as("specialist")
        for _ in range(12):
            ContactFactory(school=school)
        for address in (reverse("next_steps"), reverse("school_contacts", args=[school.pk])):
            with django_assert_max_num_queries(12):
                assert client.get(address).status_code == 200

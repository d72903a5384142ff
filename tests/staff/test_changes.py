"""The screen of the history."""

from datetime import date

import pytest
from django.urls import reverse

from rentals.runtime import clock
from rentals.staff.changes import Filter, list_changes
from rentals.staff.history import acting_as
from rentals.staff.models import User
from tests.factories import AdministratorFactory, ManagerFactory, UserFactory
from tests.families.factories import HouseholdFactory


@pytest.fixture
def manager(db):
    return ManagerFactory(name="Mona Manager")


@pytest.fixture
def renamed(manager):
    user = UserFactory(name="Canary Before")
    with acting_as(manager, "renaming"):
        User.objects.filter(pk=user.pk).update(name="Canary After")
    return user


def only(page):
    changes, older = page
    assert older == ""
    return changes


class TestListChanges:
    def test_says_who_what_and_what_was_before(self, manager, renamed):
        newest = only(list_changes(wanted=Filter(kind="staff.user", object_id=str(renamed.pk)), viewer=manager))[0]
        assert (newest.who, newest.where, newest.verb) == ("Mona Manager", "renaming", "changed")
        assert [(field.label, field.before, field.after) for field in newest.fields] == [
            ("Name", "Canary Before", "Canary After")
        ]

    def test_finds_by_person_by_thing_and_by_day(self, manager, renamed):
        by_person = only(list_changes(wanted=Filter(person_id=manager.pk), viewer=manager))
        assert [change.object_id for change in by_person] == [str(renamed.pk)]
        assert only(list_changes(wanted=Filter(person_id=renamed.pk), viewer=manager)) == []
        assert only(list_changes(wanted=Filter(until=date(2020, 1, 1)), viewer=manager)) == []
        assert only(
            list_changes(wanted=Filter(since=date(2020, 1, 1), kind="staff.user", object_id=str(renamed.pk)), viewer=manager)
        )

    def test_a_day_begins_and_ends_by_the_offices_clock(self, manager, renamed, settings):
        """On an island whose day is at this moment another than that of Greenwich, by tzdata eleven behind or fourteen ahead."""
        noon = clock.now().hour >= 11
        settings.TIME_ZONE = "Pacific/Kiritimati" if noon else "Pacific/Pago_Pago"
        today, other = clock.today(), clock.now().date()
        assert today != other

        def found(on: date) -> int:
            wanted = Filter(since=on, until=on, kind="staff.user", object_id=str(renamed.pk))
            return len(only(list_changes(wanted=wanted, viewer=manager)))

        assert (found(today) > 0, found(other)) == (True, 0)

    def test_pages_through_everything_once(self, manager):
        UserFactory.create_batch(7)
        cursor, seen = "", []
        for _ in range(10):
            page, cursor = list_changes(wanted=Filter(kind="staff.user", before=cursor), viewer=manager, limit=3)
            seen += [change.cursor for change in page]
            if not cursor:
                break
        assert len(seen) == len(set(seen))
        assert len(seen) >= 8

    def test_shows_no_families_to_an_administrator(self, manager):
        with acting_as(manager, "moving"):
            household = HouseholdFactory(street="12 Canary Row")
        wanted = Filter(kind="families.household", object_id=str(household.pk))
        [seen] = only(list_changes(wanted=wanted, viewer=manager))
        assert "12 Canary Row" in {field.after for field in seen.fields}
        [hidden] = only(list_changes(wanted=wanted, viewer=AdministratorFactory()))
        assert hidden.is_hidden
        assert {field.after for field in hidden.fields} == {None}


class TestScreen:
    def test_is_drawn_in_few_queries(self, client_as, renamed, django_assert_max_num_queries):
        client = client_as("manager")
        client.get(reverse("history"))
        with django_assert_max_num_queries(12):
            page = client.get(reverse("history"), {"kind": "staff.user"}).content.decode()
        assert "Canary Before" in page
        assert "Canary After" in page

    def test_refuses_a_day_that_is_none_and_keeps_it(self, client_as):
        response = client_as("manager").get(reverse("history"), {"since": "someday"})
        assert response.status_code == 422
        assert "someday" in response.content.decode()

    def test_ignores_a_place_nobody_gave(self, client_as):
        client = client_as("manager")
        for place in ("x", "a~b~c", "2026-01-01~staff.user~notanumber"):
            assert client.get(reverse("history"), {"before": place}).status_code == 200

    @pytest.mark.parametrize("place", ["nonsense~staff.user~5", "2026-99-99T00:00~staff.user~5"])
    def test_ignores_a_place_with_no_moment_in_it(self, client_as, place):
        assert client_as("manager").get(reverse("history"), {"before": place}).status_code == 200

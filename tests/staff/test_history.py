"""The history of changes: complete (bulk changes and SQL by hand too), attributed, never changed (OWASP ASVS 5.0, V16.2-16.4)."""

import psycopg
import pytest
from django.apps import apps
from django.db import connection
from django.urls import reverse

from rentals.staff.history import acting_as, event_models
from rentals.staff.models import Office, User
from tests.factories import ManagerFactory, UserFactory

UserEvent = apps.get_model("staff", "UserEvent")


def events_of(user):
    return list(UserEvent.objects.filter(pgh_obj_id=user.pk).order_by("pgh_id"))


class TestIsComplete:
    def test_every_change_through_the_models_and_in_bulk(self, db):
        user = UserFactory(name="Before")
        User.objects.filter(pk=user.pk).update(name="After")
        assert [(event.pgh_label, event.name) for event in events_of(user)] == [("insert", "Before"), ("update", "After")]

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_every_change_by_hand_in_sql(self, transactional_db, request, role):
        user = UserFactory(name="Before")
        request.getfixturevalue(role).execute("UPDATE staff_user SET name = 'After' WHERE id = %s", [user.pk])
        assert [event.name for event in events_of(user)] == ["Before", "After"]
        assert events_of(user)[-1].pgh_context_id is None

    def test_never_keeps_a_password(self, db):
        user = UserFactory(password=True)
        user.set_password("another long one, this")
        user.save()
        assert not {"password", "last_login"} & {field.name for field in UserEvent._meta.get_fields()}
        assert len(events_of(user)) == 1, "and a new password alone is no event"


class TestSaysWhoActed:
    def test_in_a_request(self, client_as):
        client = client_as("administrator")
        user = UserFactory(name="Before")
        client.post(reverse("change_person", args=[user.pk]), {"name": "After", "role": user.role})
        last = events_of(user)[-1]
        assert last.name == "After"
        assert last.pgh_context.metadata["user"] == client.user.pk
        assert last.pgh_context.metadata["url"] == reverse("change_person", args=[user.pk])

    def test_in_a_job(self, db):
        from celery import shared_task

        manager, user = ManagerFactory(), UserFactory()

        @shared_task(name="tests.rename")
        def rename():
            with acting_as(manager, "renaming"):
                User.objects.filter(pk=user.pk).update(name="After")

        rename.apply().get()
        metadata = events_of(user)[-1].pgh_context.metadata
        assert metadata == {"job": "tests.rename", "user": manager.pk, "operation": "renaming"}


@pytest.fixture
def one_event(transactional_db):
    with acting_as(ManagerFactory(), "testing"):
        return events_of(UserFactory())[-1]


class TestIsNeverChanged:
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE staff_userevent SET name = 'Somebody else'",
            "DELETE FROM staff_userevent",
            "TRUNCATE staff_userevent",
            "DELETE FROM pghistory_context",
            "TRUNCATE pghistory_context CASCADE",
            "UPDATE pghistory_context SET metadata = '{\"user\": 1}'",
            "UPDATE pghistory_context SET metadata = '{}'",
            "UPDATE pghistory_context SET id = gen_random_uuid()",
        ],
    )
    def test_by_sql(self, one_event, request, role, statement):
        cursor = request.getfixturevalue(role)
        with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
            cursor.execute(statement)

    def test_holds_for_the_events_of_every_room(self, db):
        with connection.cursor() as cursor:
            cursor.execute("SELECT tgrelid::regclass::text, tgname FROM pg_trigger WHERE tgname IN ('kept_rows', 'kept_table')")
            guarded = set(cursor.fetchall())
            cursor.execute("SELECT table_name FROM information_schema.table_privileges WHERE grantee = 'office_app' "
                           "AND privilege_type IN ('UPDATE', 'DELETE', 'TRUNCATE')")  # fmt: skip
            changeable = {table for (table,) in cursor.fetchall()}
        tables = [model._meta.db_table for model in event_models()]
        assert len(tables) > 20
        for table in tables:
            assert {(table, "kept_rows"), (table, "kept_table")} <= guarded, table
            assert table not in changeable
            assert table.endswith("event")

    def test_what_happened_may_still_be_added_to(self, db):
        with acting_as(ManagerFactory(), "first") as context:
            UserFactory()
            context.metadata["more"] = "later"
            user = UserFactory()
        assert events_of(user)[-1].pgh_context.metadata["more"] == "later"


class TestTheOffice:
    def test_is_tracked_too(self, db):
        Office.objects.update_or_create(id=1, defaults={"name": "One"})
        Office.objects.filter(id=1).update(name="Two")
        event = apps.get_model("staff", "OfficeEvent").objects.latest("pgh_id")
        assert event.name == "Two"

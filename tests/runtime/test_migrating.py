"""Migrating with neighbouring operations put together must do to the database what Django does one by one."""

from itertools import pairwise
from typing import Any

import pytest
from django.contrib.postgres.operations import AddConstraintNotValid
from django.core.management import get_commands
from django.db import connection, models
from django.db.migrations import Migration
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations import (
    AddConstraint,
    AddField,
    AddIndex,
    AlterField,
    CreateModel,
    RemoveConstraint,
    RemoveField,
    RunSQL,
)
from django.db.migrations.state import ProjectState

from rentals.runtime.migrating import Together, stays_near, thing_of, together
from tests.conftest import run

KEY = {"id": models.BigAutoField(primary_key=True)}


def a_migration() -> list[Any]:
    """Make, change, constrain, and take back: shelves and the boxes on them."""
    positive = models.CheckConstraint(condition=models.Q(height__gt=0), name="sketch_box_height")
    return [
        CreateModel("Box", [*KEY.items(), ("width", models.IntegerField())]),
        CreateModel("Shelf", [*{"id": models.BigAutoField(primary_key=True)}.items(), ("code", models.CharField(max_length=4))]),
        AddField("box", "shelf", models.ForeignKey("sketch.shelf", models.PROTECT)),
        AddField("box", "height", models.IntegerField(default=3), preserve_default=False),
        AddConstraint("box", positive),
        AlterField("shelf", "code", models.CharField(max_length=12, unique=True)),
        AddIndex("box", models.Index(fields=["shelf", "height"], name="sketch_box_place")),
        RunSQL("INSERT INTO sketch_shelf (code) VALUES ('upper'); INSERT INTO sketch_box VALUES (DEFAULT, 1, 1, 2)"),
        AlterField("box", "height", models.IntegerField(null=True)),
        RemoveConstraint("box", "sketch_box_height"),
        AddConstraintNotValid("box", positive),
        RemoveField("box", "width"),
        RunSQL("UPDATE sketch_box SET height = 4"),
        AddField("box", "weight", models.IntegerField(null=True)),
        AddIndex("box", models.Index(fields=["weight"], name="sketch_box_weight")),
        RunSQL("UPDATE sketch_box SET weight = 5"),
        AddField("box", "once_on", models.ForeignKey("sketch.shelf", models.PROTECT, null=True, related_name="+")),
    ]


def built(operations: list[Any]) -> list[tuple[Any, ...]]:
    """Apply operations to the database, return what stands there then, and take them back."""
    migration = Migration("0001_initial", "sketch")
    migration.operations = operations
    state = ProjectState()
    state.apps  # noqa: B018 - rendered from the start, as by the executor
    run("SAVEPOINT sketch")
    with connection.schema_editor(atomic=False) as editor:
        migration.apply(state, editor)
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT attrelid::regclass::text, attname, format_type(atttypid, atttypmod), attnotnull::text
              FROM pg_attribute WHERE attrelid IN ('sketch_box'::regclass, 'sketch_shelf'::regclass) AND attnum > 0
             UNION ALL SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid), convalidated::text
              FROM pg_constraint WHERE conrelid IN ('sketch_box'::regclass, 'sketch_shelf'::regclass)
             UNION ALL SELECT tablename, indexname, indexdef, '' FROM pg_indexes WHERE tablename LIKE 'sketch_%'
             UNION ALL SELECT 'sketch_box', 'rows', b::text, '' FROM sketch_box b ORDER BY 1, 2, 3
            """
        )
        found = cursor.fetchall()
    run("ROLLBACK TO SAVEPOINT sketch")
    return found


@pytest.mark.django_db
def test_the_same_tables_come_of_it() -> None:
    run("RESET ROLE")
    one_by_one, in_groups = built(a_migration()), built(list(together(a_migration())))
    assert len(one_by_one) > 12
    assert in_groups == one_by_one


def test_what_one_made_the_next_does_not_change_in_the_same_group() -> None:
    groups = [len(each.operations) if isinstance(each, Together) else 1 for each in together(a_migration())]
    assert groups == [2, 5, 1, 2, 2, 1, 2, 1, 1]  # made | changed | SQL | changed and removed | anew | SQL | near | SQL | related


def test_every_migration_keeps_its_order_and_makes_nothing_twice() -> None:
    """Nothing is lost or moved, and no group both makes a model and changes one, or touches a thing twice."""
    loader = MigrationLoader(None, ignore_no_migrations=True)
    groups = 0
    for migration in loader.disk_migrations.values():
        flat: list[Any] = []
        for each in together(migration.operations):
            inside = each.operations if isinstance(each, Together) else [each]
            flat += inside
            groups += isinstance(each, Together)
            if isinstance(each, Together):
                assert len({thing_of(one) for one in inside}) == len(inside)
                assert all(isinstance(a, CreateModel) == isinstance(b, CreateModel) for a, b in pairwise(inside))
        assert flat == list(migration.operations)
    assert groups > 20


def test_nothing_is_put_off_that_django_renders_at_once(monkeypatch) -> None:
    asked, find = [], ProjectState._find_reload_model

    def noting(self: ProjectState, app_label: str, model_name: str, delay: bool = False) -> Any:
        asked.append(delay)
        return find(self, app_label, model_name, delay)

    monkeypatch.setattr(ProjectState, "_find_reload_model", noting)
    state = ProjectState()
    state.apps  # noqa: B018 - rendered from the start, as by the executor
    for each in a_migration():
        asked.clear()
        each.state_forwards("sketch", state)
        assert not stays_near(each) or all(asked), each


def test_the_office_migrates_by_it() -> None:
    assert get_commands()["migrate"] == "rentals.runtime"

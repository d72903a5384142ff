"""What comes after the released state keeps the office at work; the rules see bad and good ones of invented tables."""

from typing import Any

import pytest
from django.contrib.postgres.operations import (
    AddConstraintNotValid,
    AddIndexConcurrently,
    RemoveIndexConcurrently,
    ValidateConstraint,
)
from django.db import models
from django.db.migrations import Migration
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations import (
    AddConstraint,
    AddField,
    AddIndex,
    AlterField,
    CreateModel,
    DeleteModel,
    RemoveField,
    RemoveIndex,
    RenameField,
    RenameModel,
    RunPython,
    RunSQL,
)
from django.db.migrations.state import ProjectState
from django.db.models.functions import Now

from rentals.runtime.bootstrap import PROJECT
from tests.architecture import migration_rules as rules
from tests.architecture import released

pytestmark = pytest.mark.django_db(transaction=True)
KEY = ("id", models.BigAutoField(primary_key=True))
WIDE = models.CheckConstraint(condition=models.Q(width__gt=0), name="sketch_box_wide")
ONE = models.UniqueConstraint(fields=["width"], name="sketch_box_one")
PLACE = models.Index(fields=["width"], name="sketch_box_place")
SHELF = models.ForeignKey("sketch.shelf", models.PROTECT, null=True)


def idle(*_: Any) -> None:
    """Change nothing."""


BAD = {
    "an index built while writers wait": [AddIndex("box", PLACE)],
    "an index dropped while": [RunSQL('DROP INDEX "sketch_box_old"', "")],
    "a constraint checked at once": [AddConstraint("box", WIDE)],
    "a foreign key locks the other table too": [AddField("box", "shelf", SHELF)],
    "an index built by a constraint": [AddConstraint("box", ONE)],
    "rewrites the table or builds an index": [AddField("box", "code", models.CharField(max_length=4, unique=True, null=True))],
    "a column's type changed": [AlterField("box", "width", models.BigIntegerField())],
    "NOT NULL scans the table": [AlterField("box", "depth", models.IntegerField(db_default=0))],
    "a default worked out for each row": [RunSQL("ALTER TABLE sketch_box ADD COLUMN key uuid DEFAULT gen_random_uuid()", "")],
    "height is NOT NULL without a default": [AddField("box", "height", models.IntegerField(default=3))],
    "depth2 is NOT NULL without a default": [RunSQL("ALTER TABLE sketch_box ADD COLUMN depth2 int NOT NULL", "")],
    "a column dropped that the released code reads": [RemoveField("box", "width")],
    "renamed under": [RenameField("box", "width", "breadth")],
    "renamed under the released code": [RenameModel("Box", "Crate")],
    "takes away what the released code uses": [DeleteModel("Box")],
    "locks the whole table": [RunSQL("LOCK TABLE sketch_box", "")],
    "something else beside what takes its time": [
        AddConstraintNotValid("box", WIDE),
        ValidateConstraint("box", "sketch_box_wide"),
    ],
    "several operations without a transaction": [AddIndexConcurrently("box", PLACE), RunPython(idle, idle)],
    "cannot be taken back": [RunSQL("UPDATE sketch_box SET width = 1")],
    "cannot be taken back (Raw Python": [RunPython(idle)],
}
GOOD = {
    "a column that may be empty": [AddField("box", "height", models.IntegerField(null=True))],
    "a column with a default of the database": [AddField("box", "height", models.IntegerField(db_default=3))],
    "the moment is the same for all rows": [AddField("box", "made_at", models.DateTimeField(db_default=Now()))],
    "an index built aside": [AddIndexConcurrently("box", PLACE)],
    "an index dropped aside": [RemoveIndexConcurrently("box", "sketch_box_old")],
    "a constraint for what comes": [AddConstraintNotValid("box", WIDE)],
    "a constraint held against what is there": [ValidateConstraint("box", "sketch_box_known")],
    "a foreign key in two steps": [
        RunSQL("ALTER TABLE sketch_box ADD CONSTRAINT a FOREIGN KEY (width) REFERENCES sketch_shelf (id) NOT VALID", "")
    ],
    "rows changed in slices": [RunPython(idle, idle)],
    "a new table with all it needs": [
        CreateModel("Lid", [KEY, ("box", models.ForeignKey("sketch.box", models.PROTECT, db_constraint=False, db_index=False))]),
        AddField("lid", "height", models.IntegerField(default=3)),
        AddIndex("lid", models.Index(fields=["height"], name="sketch_lid_height")),
        AddConstraint("lid", models.CheckConstraint(condition=models.Q(height__gt=0), name="sketch_lid_high")),
    ],
    "a function with statements inside": [
        RunSQL("CREATE FUNCTION f() RETURNS int LANGUAGE sql AS $x$ UPDATE a SET b = 1; DROP TABLE a; SELECT 1 $x$", "")
    ],
}
CONCURRENT = (AddIndexConcurrently, RemoveIndexConcurrently)


def judged(operations: list[Any], **said: str) -> list[str]:
    """Return the breaches of a migration of these operations, after a released state with boxes and shelves."""
    state = ProjectState()
    known = models.CheckConstraint(condition=models.Q(depth__gt=0), name="sketch_box_known")
    box = CreateModel(
        "Box",
        [KEY, ("width", models.IntegerField()), ("depth", models.IntegerField(null=True))],
        options={"indexes": [models.Index(fields=["depth"], name="sketch_box_old")], "constraints": [known]},
    )
    for each in (CreateModel("Shelf", [KEY]), box):
        each.state_forwards("sketch", state)
    migration = Migration("0002_more", "sketch")
    migration.operations = operations
    migration.atomic = not isinstance(operations[0], CONCURRENT)
    for name, value in said.items():
        setattr(migration, name, value)
    return list(rules.breaches(migration, rules.statements_of(migration, state)))


def test_each_bad_migration_is_named():
    found = {name: judged(operations) for name, operations in BAD.items()}
    assert [name for name, said in found.items() if not any(name in each for each in said)] == [], found


def test_each_good_migration_passes():
    assert {name: said for name, operations in GOOD.items() if (said := judged(operations))} == {}


def test_a_way_of_no_return_is_marked():
    assert judged([RunPython(idle)], one_way="The old numbers are gone.") == []
    assert len(judged([AddIndex("box", PLACE)], one_way="Nobody needs it.")) == 1


def test_the_statements_are_those_that_would_run():
    """An index on a table of the same migration is no breach, on an old one beside it is."""
    lid = CreateModel("Lid", [KEY, ("box", models.ForeignKey("sketch.box", models.PROTECT, db_constraint=False))])
    assert judged([lid]) == []
    assert len(judged([lid, AddIndex("box", PLACE)])) == 1


def test_what_came_after_the_release_keeps_the_office_at_work():
    loader = MigrationLoader(None, ignore_no_migrations=True)
    found: list[str] = []
    tests = "".join(path.read_text() for path in (PROJECT / "tests").rglob("test_*.py"))
    for migration in released.unreleased(loader, released.read()):
        before = loader.project_state((migration.app_label, migration.name), at_end=False)
        found += [f"{migration}: {said}" for said in rules.breaches(migration, rules.statements_of(migration, before))]
        if rules.needs_a_test(migration) and migration.name not in tests:
            found.append(f"{migration}: changes rows, and no test of before and after names it")
    assert found == [], "DEVELOPERS.md says how; as long as nothing is released: python3 -m tests.architecture.released"


def test_the_released_state_is_one_that_was():
    loader = MigrationLoader(None, ignore_no_migrations=True)
    state = released.read()
    assert {(app, name) for app, names in state.items() for name in names} <= set(loader.disk_migrations)
    assert set(state) >= {"billing", "families", "schools"}
    older = {**state, "jobs": ["0001_runs"]}
    assert [str(each) for each in released.unreleased(loader, older)][:1] == ["jobs.0002_said"]


@pytest.mark.parametrize(
    ("operation", "expected"),
    [
        (RunPython(idle, idle), True),
        (RunSQL("UPDATE a SET b = 1", ""), True),
        (RunSQL([("DELETE FROM a", None)], ""), True),
        (RunSQL("CREATE EXTENSION citext", ""), False),
        (RemoveIndex("box", "sketch_box_old"), False),
    ],
)
def test_a_migration_of_rows_needs_a_test(operation, expected):
    migration = Migration("0002_more", "sketch")
    migration.operations = [operation]
    assert rules.needs_a_test(migration) is expected

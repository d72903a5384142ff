"""The office goes on working while it is migrated: nobody waits for two seconds, and nothing of theirs fails.

Big tables are migrated forward while other processes take payments, change telephones and read, with the code as it was
before. The short form runs here; the long one is `OFFICE_PROOF_ROWS=50000 python3 manage.py test tests/proof/test_migrating.py`.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.postgres.operations import AddConstraintNotValid, AddIndexConcurrently, ValidateConstraint
from django.db import connection, models
from django.db.migrations import Migration
from django.db.migrations.operations import AddField, AddIndex, CreateModel, RunPython
from django.db.migrations.state import ProjectState

from billing import bench_data
from billing.batches import PaymentTaken, record_payments
from billing.models import Payment
from rentals.runtime import clock, migrating_live
from rentals.runtime.backups.servers import Address
from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.migrating import Executor
from rentals.runtime.postgres import APPLICATION
from rentals.staff.models import User
from tests.conftest import raw_connection, run

ROWS = int(os.environ.get("OFFICE_PROOF_ROWS", "1500"))
KINDS = ("payments", "telephones", "reads")
LONGEST = 2.0
"""Seconds that anybody may wait: the office's own measure."""
TABLES = {
    "Household": "families_household",
    "Guardian": "families_guardian",
    "Posting": "billing_posting",
    "Payment": "billing_payment",
}
FILL = "UPDATE families_guardian SET sketch_calls = id %% 5 WHERE id BETWEEN %s AND %s"
CALLS = models.CheckConstraint(condition=models.Q(sketch_calls__lt=100), name="sketch_few_calls")

pytestmark = pytest.mark.django_db(transaction=True)


def in_slices(apps: Any, editor: Any) -> None:
    """Fill a new column a thousand rows at a time, each slice a transaction."""
    for first in range(1, ROWS + 1, 1000):
        with connection.cursor() as cursor:
            cursor.execute(FILL, [first, first + 999])


FORWARD: dict[str, list[Any]] = {
    "a column that may be empty": [AddField("guardian", "sketch_note", models.TextField(null=True))],
    "a column with a default": [AddField("guardian", "sketch_calls", models.IntegerField(db_default=0))],
    "a column of the books": [AddField("payment", "sketch_desk", models.IntegerField(db_default=1))],
    "an index of postings": [AddIndexConcurrently("posting", models.Index(fields=["amount"], name="sketch_amount"))],
    "an index of guardians": [AddIndexConcurrently("guardian", models.Index(fields=["phone"], name="sketch_phone"))],
    "a constraint for what comes": [AddConstraintNotValid("guardian", CALLS)],
    "held against what is there": [ValidateConstraint("guardian", "sketch_few_calls")],
    "rows filled in slices": [RunPython(in_slices, RunPython.noop)],
}
BY_ITSELF = (AddIndexConcurrently, RunPython)


def released_state() -> ProjectState:
    """Return the big tables as a released state knows them, as far as the migrations here need it."""
    state = ProjectState()
    fields = {
        "Guardian": [("phone", models.TextField())],
        "Posting": [("amount", models.DecimalField(max_digits=12, decimal_places=2))],
    }
    for name, table in TABLES.items():
        own = [("id", models.BigAutoField(primary_key=True)), *fields.get(name, [])]
        CreateModel(name, own, options={"db_table": table}).state_forwards("sketch", state)
    return state


@pytest.fixture
def big(transactional_db) -> Iterator[User]:
    """Families, agreements and payments in bulk, and whoever took them."""
    run("RESET ROLE")
    bench_data.fill(bench_data.prepare(), first=1, last=ROWS, starts=clock.today().isoformat())
    filler = User.objects.get(email="filler@rentals.example")
    words = {"method": Payment.Method.CASH, "amount": Decimal("20.00"), "received_on": clock.today(), "taken_at": clock.now()}
    for some in (range(first, min(first + 500, ROWS + 1)) for first in range(1, ROWS + 1, 500)):
        record_payments(taken=[PaymentTaken(household_id=place, **words) for place in some], acting_user=filler)
    run("ANALYZE")
    yield filler
    run("ALTER TABLE families_guardian DROP COLUMN IF EXISTS sketch_note, DROP COLUMN IF EXISTS sketch_calls")
    run("ALTER TABLE billing_payment DROP COLUMN IF EXISTS sketch_desk")
    run("DROP INDEX IF EXISTS sketch_amount, sketch_phone")
    run("DELETE FROM django_migrations WHERE app = 'sketch'")
    run(f"SET ROLE {APPLICATION}")


@contextmanager
def office_at_work(person: User) -> Iterator[Callable[[], list[dict[str, Any]]]]:
    """Let the released code work in processes of its own; give what ends them and says how they fared."""
    url = Address.of(os.environ["OFFICE_TEST_APP_URL"]).named(str(connection.settings_dict["NAME"])).as_url()
    surroundings = {**os.environ, "DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "rentals.settings", "OFFICE_DB_POOL": "0"}
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    started = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.proof.working", kind, str(ROWS), str(person.pk)],
            cwd=PROJECT, env=surroundings, text=True, **pipes,
        )
        for kind in KINDS
    ]  # fmt: skip
    try:
        for each in started:
            assert each.stdout.readline() == "at work\n"
        yield lambda: [json.loads(each.communicate(timeout=60)[0]) for each in started]
    finally:
        for each in started:
            each.kill()
            each.communicate()


def step(name: str, operations: list[Any]) -> Migration:
    migration = Migration(name.replace(" ", "_"), "sketch")
    migration.operations, migration.atomic = operations, not isinstance(operations[0], BY_ITSELF)
    return migration


def told(fared: list[dict[str, Any]], took: dict[str, float]) -> None:
    """Write the figures down where the run shows them (`-s`)."""
    print(f"\n{ROWS:,} rows a table; seconds: {took}\n" + "\n".join(f"  {each}" for each in fared))  # noqa: T201


def test_nobody_waits_while_big_tables_are_migrated(big):
    state, took = released_state(), {}
    with office_at_work(big) as come_home:
        for name, operations in FORWARD.items():
            began = time.monotonic()
            state = Executor(connection).apply_migration(state, step(name, operations))
            took[name] = round(time.monotonic() - began, 2)
        fared = come_home()
    told(fared, took)
    assert [each["wrong"] for each in fared] == [[], [], []]
    assert all(each["acts"] > 5 for each in fared)
    assert max(each["slowest"] for each in fared) <= LONGEST, fared
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM families_guardian WHERE sketch_calls <> id % 5")
        assert cursor.fetchone()[0] == 0


def test_a_bad_migration_is_taken_back_and_even_then_nobody_waits(big, monkeypatch):
    """Somebody's long transaction is in the way of an index that is not built CONCURRENTLY, and all who write wait behind it."""
    monkeypatch.setattr(migrating_live, "PAUSES", (0.5, 0.5))
    bad = step("an index that locks", [AddIndex("guardian", models.Index(fields=["phone"], name="sketch_phone"))])
    with office_at_work(big) as come_home, raw_connection(as_owner=True) as other:
        other.execute("BEGIN")
        other.execute("UPDATE families_guardian SET phone = '+12175550100' WHERE id = %s", [ROWS + 1])
        began = time.monotonic()
        with pytest.raises(migrating_live.MigrationInTheWayError, match=f"process {other.info.backend_pid} of the database"):
            Executor(connection).apply_migration(released_state(), bad)
        took = {"refused after": round(time.monotonic() - began, 2)}
        other.execute("ROLLBACK")
        fared = come_home()
    told(fared, took)
    assert [each["wrong"] for each in fared] == [[], [], []]
    slowest = {each["kind"]: each["slowest"] for each in fared}
    assert max(slowest.values()) <= LONGEST, fared
    assert slowest["telephones"] > 1, "nobody met the lock: the proof proves nothing"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT to_regclass('sketch_phone') IS NULL AND NOT EXISTS (SELECT FROM django_migrations WHERE app = 'sketch')"
        )
        assert cursor.fetchone()[0]

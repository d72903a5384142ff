"""What the database refuses at the end of a month, whoever asks."""

import datetime

import psycopg
import pytest

from billing.closing import clear, operations
from billing.models import ClosedMonth
from tests.billing.closing.conftest import JANUARY, at
from tests.billing.closing.test_clearing import held  # noqa: F401 - a fixture
from tests.factories import UserFactory

pytestmark = pytest.mark.django_db(transaction=True)
NOW, TODAY = at(4, 20)
KEPT = ["billing_closingpackage", "billing_closingfile", "billing_monthreopening"]


@pytest.fixture
def closed(books):
    return operations.close_month(month=JANUARY, acting_user=books.clerk, now=NOW, today=TODAY)


@pytest.fixture
def everything(books, held, closed):  # noqa: F811
    """A clearing, a waiver, a package with its files, and a reopening."""
    clear.clear(chosen=[held["2910", -720]], rest_to="3000", note="Old", acting_user=books.clerk, now=NOW, today=TODAY)
    operations.waive(month=JANUARY, code="billed", reason="Known", acting_user=books.clerk, now=NOW)
    operations.reopen_month(month=JANUARY, reason="Late bill", acting_user=UserFactory(role="manager"), now=NOW)


class TestKept:
    @pytest.mark.parametrize("table", [*KEPT, "billing_closingwaiver", "billing_clearing", "billing_cleareditem"])
    def test_nothing_is_removed(self, owner_cursor, everything, table):
        for statement in (f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
            with pytest.raises(psycopg.errors.RestrictViolation):
                owner_cursor.execute(statement)

    @pytest.mark.parametrize("table", KEPT)
    def test_nothing_is_changed(self, owner_cursor, everything, table):
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute(f"UPDATE {table} SET id = id")

    @pytest.mark.parametrize(
        ("table", "change"),
        [
            ("clearing", "note = 'Another'"),
            ("clearing", "cleared_on = cleared_on + 1"),
            ("clearing", "entry_id = NULL"),
            ("cleareditem", "account_id = '3000'"),
            ("cleareditem", "entry_id = entry_id + 1"),
        ],
    )
    def test_nothing_of_a_clearing_is_changed(self, owner_cursor, everything, table, change):
        """That it was undone is added beside it: test_clearing."""
        with pytest.raises(psycopg.errors.RestrictViolation, match="kept as it was made"):
            owner_cursor.execute(f"UPDATE billing_{table} SET {change}")

    def test_a_waiver_is_only_withdrawn(self, owner_cursor, everything):
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute("UPDATE billing_closingwaiver SET reason = 'Another'")
        owner_cursor.execute("UPDATE billing_closingwaiver SET withdrawn_at = now(), withdrawn_by_id = made_by_id")
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute("UPDATE billing_closingwaiver SET withdrawn_at = NULL, withdrawn_by_id = NULL")

    def test_a_file_has_its_sha256(self, owner_cursor, closed):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            owner_cursor.execute(
                "INSERT INTO billing_closingfile (package_id, name, content, sha256) VALUES (%s, 'x', 'a', repeat('0', 64))",
                [closed.pk],
            )
        assert refused.value.diag.constraint_name == "closing_file_sha256_is_of_content"


class TestClearing:
    def insert(self, cursor, items, on="2026-04-20"):
        cursor.execute("BEGIN")
        try:
            key = cursor.execute(
                "INSERT INTO billing_clearing (cleared_on, note, made_at, made_by_id) "
                "SELECT %s, 'x', now(), min(id) FROM staff_user RETURNING id", [on],
            ).fetchone()[0]  # fmt: skip
            for code, entry in items:
                cursor.execute(
                    "INSERT INTO billing_cleareditem (clearing_id, entry_id, account_id) VALUES (%s, %s, %s)", [key, entry, code]
                )
            cursor.execute("COMMIT")
        except psycopg.Error:
            cursor.execute("ROLLBACK")
            raise

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_comes_to_zero(self, request, books, held, role):  # noqa: F811
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(request.getfixturevalue(role), [held["2910", -720]])
        assert refused.value.diag.constraint_name == "clearing_comes_to_zero"

    def test_clears_something(self, app_cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(app_cursor, [])
        assert refused.value.diag.constraint_name == "clearing_after_its_items"


REOPEN = """
INSERT INTO billing_monthreopening (first_day, closed_at, closed_by_id, entry_count, debits, reason, reopened_at, reopened_by_id)
SELECT first_day, closed_at, closed_by_id, entry_count, debits, %s, now(), %s FROM billing_closedmonth WHERE first_day = %s
"""


class TestReopening:
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    @pytest.mark.parametrize("table", ["billing_closedmonth", "billing_monthtotal"])
    def test_nobody_opens_a_month_by_removing_it(self, request, closed, role, table):
        with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
            request.getfixturevalue(role).execute(f"DELETE FROM {table}")
        assert ClosedMonth.objects.exists()

    def test_only_a_manager(self, app_cursor, closed, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(REOPEN, ["Late", books.clerk.pk, JANUARY.first_day])
        assert refused.value.diag.constraint_name == "reopened_by_a_manager"

    def test_only_the_last_one(self, app_cursor, closed, books):
        ClosedMonth.objects.create(first_day=datetime.date(2026, 2, 1), closed_at=NOW, closed_by=books.clerk)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(REOPEN, ["Late", UserFactory(role="manager").pk, JANUARY.first_day])
        assert refused.value.diag.constraint_name == "reopening_of_the_last_month"

    def test_with_a_reason(self, app_cursor, closed):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            app_cursor.execute(REOPEN, ["", UserFactory(role="manager").pk, JANUARY.first_day])
        assert refused.value.diag.constraint_name == "reopening_has_a_reason"

    def test_opens_the_month_and_takes_its_totals_along(self, app_cursor, closed):
        app_cursor.execute(REOPEN, ["Late", UserFactory(role="manager").pk, JANUARY.first_day])
        left = "SELECT (SELECT count(*) FROM billing_closedmonth), (SELECT count(*) FROM billing_monthtotal)"
        assert app_cursor.execute(left).fetchone() == (0, 0)

"""What entries, postings, charges and lines name is there and stays there: refused in raw SQL, whoever asks, and in a race."""

import threading
import time

import psycopg
import pytest

from billing import charges, ledger
from billing.models import BillingRun, JournalEntry
from rentals.families.models import Household
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory
from tests.conftest import raw_connection
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)

NOBODY = 999_999_999
ROLES = pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])

ENTRY = "INSERT INTO billing_journalentry (id, entry_on, kind, memo, source, currency, reverses_id, made_at, made_by_id)"
WRITTEN = f"WITH e AS ({ENTRY} VALUES (%(new)s, %(day)s, 'adjustment', '', 'by hand', 'USD', NULL, now(), %(clerk)s))"
POSTINGS = "INSERT INTO billing_posting (entry_id, account_id, household_id, amount) VALUES"
CHARGE = (
    "INSERT INTO billing_charge (household_id, agreement_id, kind, due_on, entry_id, void_entry_id, run_id, late_for_id) VALUES"
)

# What names nothing, and under which rule it is refused. `new` is an entry that was not written, `spare` one without a charge.
NAMELESS = {
    "posting_names_its_entry": f"{POSTINGS} (%(new)s, '1010', NULL, 5), (%(new)s, '2900', NULL, -5)",
    "posting_names_its_account": f"{WRITTEN} {POSTINGS} (%(new)s, '1010', NULL, 5), (%(new)s, '0815', NULL, -5)",
    "posting_names_its_household": f"{WRITTEN} {POSTINGS} (%(new)s, '1010', NULL, 5), (%(new)s, '2900', %(nobody)s, -5)",
    "entry_names_its_maker": f"{ENTRY} VALUES (%(new)s, %(day)s, 'adjustment', '', 'x', 'USD', NULL, now(), %(nobody)s)",
    "entry_names_what_it_undoes": f"{ENTRY} VALUES (%(new)s, %(day)s, 'reversal', '', 'x', 'USD', %(nobody)s, now(), %(clerk)s)",
    "charge_names_its_household": f"{CHARGE} (%(nobody)s, NULL, 'fee', %(day)s, %(spare)s, NULL, NULL, NULL)",
    "charge_names_its_agreement": f"{CHARGE} (%(household)s, %(nobody)s, 'fee', %(day)s, %(spare)s, NULL, NULL, NULL)",
    "charge_names_its_entry": f"{CHARGE} (%(household)s, NULL, 'fee', %(day)s, %(nobody)s, NULL, NULL, NULL)",
    "charge_names_its_run": f"{CHARGE} (%(household)s, NULL, 'fee', %(day)s, %(spare)s, NULL, %(nobody)s, NULL)",
    "charge_line_names_its_charge": "INSERT INTO billing_chargeline (charge_id, position, kind, is_tax, description, amount) "
    "VALUES (%(nobody)s, 1, 'fee', false, 'Slipped in', 0)",
}


@pytest.fixture
def books():
    """A household that nothing but the books name, its fee, and an entry beside, by somebody who did nothing else."""
    clerk, maker = BookkeeperFactory(), BookkeeperFactory()
    household = HouseholdFactory()
    charge = charges.charge_fee(household=household, on=DAY, description="Fee", amount=5, acting_user=clerk, now=NOON)
    lines = [ledger.Line("1010", 5), ledger.Line("2900", -5)]
    spare = ledger.post_entry(
        entry_on=DAY, kind="adjustment", memo="", source="spare", postings=lines, acting_user=maker, now=NOON
    )
    run = BillingRun.objects.create(through_on=DAY, asked_at=NOON, asked_by=clerk)
    return {
        "household": household.pk, "charge": charge.pk, "spare": spare.pk, "run": run.pk, "clerk": clerk.pk, "maker": maker.pk,
        "new": NOBODY - 1, "nobody": NOBODY, "day": DAY,
    }  # fmt: skip


class TestNamesOnlyWhatIsThere:
    @ROLES
    @pytest.mark.parametrize("rule", NAMELESS)
    def test_refuses(self, request, books, role, rule):
        with pytest.raises(psycopg.errors.ForeignKeyViolation) as refused:
            request.getfixturevalue(role).execute(NAMELESS[rule], books)
        assert refused.value.diag.constraint_name == rule

    @ROLES
    def test_refuses_a_void_entry_that_is_not_there(self, request, books, role):
        statement = f"{CHARGE} (%(household)s, NULL, 'fee', %(day)s, %(spare)s, %(nobody)s, NULL, NULL)"
        with pytest.raises(psycopg.errors.ForeignKeyViolation) as refused:
            request.getfixturevalue(role).execute(statement, books)
        assert refused.value.diag.constraint_name == "charge_names_its_entry"

    @ROLES
    def test_refuses_a_late_fee_for_nothing(self, request, books, role):
        statement = f"{CHARGE} (%(household)s, NULL, 'fee', %(day)s, %(spare)s, NULL, NULL, %(nobody)s)"
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            request.getfixturevalue(role).execute(statement, books)
        assert refused.value.diag.constraint_name == "late_fee_is_for_rent"

    def test_refuses_one_among_a_thousand(self, app_cursor, books):
        values = ", ".join(f"({NOBODY + n}, '1010', NULL, 5), ({NOBODY + n}, '2900', NULL, -5)" for n in range(1000))
        entries = ", ".join(
            f"({NOBODY + n}, %(day)s, 'adjustment', '', 'x{n}', 'USD', NULL, now(), %(clerk)s)" for n in range(999)
        )
        with pytest.raises(psycopg.errors.ForeignKeyViolation) as refused:
            app_cursor.execute(f"WITH e AS ({ENTRY} VALUES {entries}) {POSTINGS} {values}", books)
        assert refused.value.diag.constraint_name == "posting_names_its_entry"
        assert JournalEntry.objects.count() == 2

    def test_several_charges_of_one_household_in_one_statement_may_name_it(self, app_cursor, books):
        agreement = AgreementFactory()
        values = ", ".join(
            f"({agreement.household_id}, {agreement.pk}, 'fee', %(day)s, {entry}, NULL, %(run)s, NULL)"
            for entry in self.spares(3)
        )
        app_cursor.execute(f"{CHARGE} {values}", books)
        assert agreement.charges.count() == 3

    def spares(self, count):
        lines = [ledger.Line("1010", 5), ledger.Line("2900", -5)]
        drafts = [ledger.Draft(DAY, "adjustment", "", f"spare {n}", lines, NOON) for n in range(count)]
        return [entry.pk for entry in ledger.post_entries(drafts=drafts, acting_user=BookkeeperFactory())]


class TestWhatIsNamedStays:
    @ROLES
    @pytest.mark.parametrize(
        "statement",
        [
            "DELETE FROM billing_account WHERE code = '1510'",
            "UPDATE billing_account SET code = '0815' WHERE code = '1010'",
            "DELETE FROM billing_billingrun",
            "UPDATE billing_billingrun SET id = id + 1000",
        ],
    )
    def test_accounts_and_runs_always(self, request, books, role, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            request.getfixturevalue(role).execute(statement)

    @pytest.mark.parametrize("table", ["billing_account", "billing_billingrun", "families_household", "staff_user"])
    def test_nothing_is_emptied(self, owner_cursor, books, table):
        AgreementFactory()
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute(f"TRUNCATE {table} CASCADE")

    @ROLES
    @pytest.mark.parametrize(
        ("statement", "rule"),
        [
            ("DELETE FROM families_household WHERE id = %(household)s", "household_named_in_the_books_stays"),
            (
                "UPDATE families_household SET id = %(nobody)s WHERE id = %(household)s",
                "household_named_in_the_books_keeps_its_key",
            ),
            ("DELETE FROM staff_user WHERE id = %(maker)s", "user_named_in_the_books_stays"),
            ("UPDATE staff_user SET id = %(nobody)s WHERE id = %(maker)s", "user_named_in_the_books_keeps_its_key"),
        ],
    )
    def test_households_and_people_while_the_books_name_them(self, request, books, role, statement, rule):
        with pytest.raises(psycopg.errors.ForeignKeyViolation) as refused:
            request.getfixturevalue(role).execute(statement, books)
        assert refused.value.diag.constraint_name == rule

    @ROLES
    def test_a_household_that_nothing_names_may_go(self, request, role):
        household = HouseholdFactory()
        request.getfixturevalue(role).execute("DELETE FROM families_household WHERE id = %s", [household.pk])
        assert not Household.objects.filter(pk=household.pk).exists()

    def test_nobody_goes_where_what_was_written_since_is_not_seen(self, app_cursor, books):
        with pytest.raises(psycopg.errors.RestrictViolation), app_cursor.connection.transaction():
            app_cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            app_cursor.execute("DELETE FROM families_household WHERE id = %(household)s", books)


class TestAtOnce:
    """A household goes while somebody writes its first posting: one of them is refused, whoever was first."""

    @pytest.fixture
    def alone(self):
        return {"household": HouseholdFactory().pk, "clerk": BookkeeperFactory().pk, "new": NOBODY, "day": DAY}

    def post(self, connection, alone):
        connection.execute(f"{WRITTEN} {POSTINGS} (%(new)s, '1010', NULL, 5), (%(new)s, '2900', %(household)s, -5)", alone)

    def remove(self, connection, alone):
        connection.execute("DELETE FROM families_household WHERE id = %(household)s", alone)

    @pytest.mark.parametrize(
        ("first", "second", "rule"),
        [
            ("post", "remove", "household_named_in_the_books_stays"),
            ("remove", "post", "posting_names_its_household"),
        ],
    )
    def test_the_second_is_refused(self, owner_cursor, alone, first, second, rule):
        outcome = []

        def go():
            with raw_connection(as_owner=False) as connection:
                try:
                    getattr(self, second)(connection, alone)
                except psycopg.Error as error:
                    outcome.append(error.diag.constraint_name)

        waiting = threading.Thread(target=go, daemon=True)
        with raw_connection(as_owner=False) as connection, connection.transaction():
            getattr(self, first)(connection, alone)
            waiting.start()
            self.until_it_waits(owner_cursor)
        waiting.join(timeout=30)
        assert outcome == [rule]

    def test_what_is_gone_is_not_named_by_who_still_sees_it(self, alone):
        gone = pytest.raises(psycopg.errors.SerializationFailure)
        with raw_connection(as_owner=False) as connection, gone, connection.transaction():
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            assert connection.execute("SELECT count(*) FROM families_household").fetchone() == (1,)
            with raw_connection(as_owner=False) as other:
                self.remove(other, alone)
            self.post(connection, alone)

    def until_it_waits(self, cursor):
        for _ in range(600):
            if cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted").fetchone() != (0,):
                return
            time.sleep(0.05)
        pytest.fail("The second did not wait for the first.")

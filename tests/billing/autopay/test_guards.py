"""What the database refuses of autopay, tried in raw SQL with the application's rights and the owner's."""

import psycopg
import pytest

from billing.models import AutopayAuthorisation
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import authorised, set_up, told
from tests.billing.autopay.test_answering import take
from tests.billing.autopay.test_running import let_out, prepare
from tests.billing.factories import HouseholdFactory

pytestmark = pytest.mark.django_db(transaction=True)

TABLES = [
    "autopayauthorisation", "autopaynotice", "autopayrun", "autopayentry", "autopaycover", "autopayfile", "autopayfilepart",
    "autopayanswers", "autopayreturn", "autopaycorrection",
]  # fmt: skip
END = """UPDATE billing_autopayauthorisation
            SET ended_at = now(), ended_by_id = taken_by_id, ended_how = 'revoked', ended_why = 'x'"""
BEGIN_AGAIN = "UPDATE billing_autopayauthorisation SET ended_at = NULL, ended_by_id = NULL, ended_how = '', ended_why = ''"
ENTRY = """INSERT INTO billing_autopayentry (run_id, authorisation_id, household_id, notice_id, original_id, retry, amount,
                                             entry_class, state, dropped_why, trace, routing_number, last_four)
           SELECT {run}, a.id, a.household_id, {notice}, {original}, {retry}, {amount}, 'PPD', 'open', '', '',
                  '076401251', '5518'
             FROM billing_autopayauthorisation a WHERE a.id = {authorisation}"""


@pytest.fixture
def prepared():
    """One family's debit in a run that is ready."""
    set_up()
    authorisation = authorised()
    notice = told(authorisation)
    return {"authorisation": authorisation, "notice": notice, "run": prepare()}


def refused(cursor, statement, kind=psycopg.errors.IntegrityError):
    with pytest.raises(kind) as error:
        cursor.execute(statement)
    return error.value.diag.constraint_name


class TestNothingIsRemoved:
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    @pytest.mark.parametrize("statement", ["DELETE FROM billing_{}", "TRUNCATE billing_{} CASCADE"])
    def test_not_even_by_the_owner(self, request, prepared, role, statement):
        cursor = request.getfixturevalue(role)
        for table in TABLES:
            with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
                cursor.execute(statement.format(table))


class TestAuthorisations:
    @pytest.mark.parametrize(
        ("change", "name"),
        [
            ("routing_number = '076401252'", "autopay_routing_number"),
            ("routing_number = '000000000'", "autopay_routing_number"),
            ("last_four = '73918'", None),
            ("account_sealed = '\\x37333931'", "autopay_account_is_sealed"),
            ("ended_at = now()", "autopay_ended_by_somebody_for_a_reason"),
        ],
    )
    def test_hold_what_an_account_can_be(self, prepared, app_cursor, change, name):
        statement = f"UPDATE billing_autopayauthorisation SET {change}"
        assert refused(app_cursor, statement, (psycopg.errors.IntegrityError, psycopg.errors.DataError)) == name

    @pytest.mark.parametrize(
        "change", ["wording = 'x'", "authorised_on = '2020-01-01'", "household_id = household_id + 1", "channel = 'x'"]
    )
    def test_are_kept_as_given(self, prepared, app_cursor, change):
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(f"UPDATE billing_autopayauthorisation SET {change}")

    def test_end_once(self, prepared, app_cursor):
        app_cursor.execute(END)
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(BEGIN_AGAIN)

    def test_one_in_force(self, prepared, app_cursor):
        columns = ", ".join(f.column for f in AutopayAuthorisation._meta.concrete_fields if f.column not in {"id", "document_id"})
        statement = f"INSERT INTO billing_autopayauthorisation ({columns}) SELECT {columns} FROM billing_autopayauthorisation"
        assert refused(app_cursor, statement) == "autopay_one_in_force"


class TestNotices:
    def test_ten_days_ahead(self, prepared, app_cursor):
        statement = """INSERT INTO billing_autopaynotice (household_id, authorisation_id, amount, debit_on, given_on, message_id,
                                                          closed_at)
                       SELECT household_id, authorisation_id, 5, '2026-04-10', '2026-04-01', message_id + 1000, now()
                         FROM billing_autopaynotice"""
        assert refused(app_cursor, statement) == "autopay_notice_ten_days"

    @pytest.mark.parametrize("change", ["amount = amount + 1", "debit_on = debit_on - 1", "given_on = given_on - 1"])
    def test_are_kept_as_given(self, prepared, app_cursor, change):
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(f"UPDATE billing_autopaynotice SET {change}")


class TestRuns:
    def test_one_at_a_time(self, prepared, app_cursor):
        statement = """INSERT INTO billing_autopayrun (number, effective_on, state, total, entry_count, needs_approval,
                                                       prepared_at, prepared_by_id, end_note)
                       SELECT 'AP-9', effective_on, state, total, entry_count, needs_approval, prepared_at, prepared_by_id, ''
                         FROM billing_autopayrun"""
        assert refused(app_cursor, statement) == "autopay_run_one_at_a_time"

    @pytest.mark.parametrize(
        ("change", "kind", "name"),
        [
            (
                "approved_by_id = prepared_by_id, approved_at = now()",
                psycopg.errors.CheckViolation,
                "autopay_run_approved_by_another",
            ),
            ("state = 'sent'", psycopg.errors.CheckViolation, "autopay_run_sent_with_its_deposit"),
            ("state = 'settled'", psycopg.errors.RestrictViolation, None),
            ("state = 'cancelled'", psycopg.errors.CheckViolation, "autopay_run_ended_by_somebody"),
            ("total = total + 1", psycopg.errors.RestrictViolation, None),
            ("effective_on = effective_on + 1", psycopg.errors.RestrictViolation, None),
        ],
    )
    def test_go_only_where_they_may(self, prepared, app_cursor, change, kind, name):
        assert refused(app_cursor, f"UPDATE billing_autopayrun SET {change}", kind) == name

    def test_a_large_one_does_not_leave_unapproved(self, app_cursor):
        set_up(approval_limit=1)
        told(authorised())
        prepare()
        assert refused(app_cursor, "UPDATE billing_autopayrun SET state = 'ready'") == "autopay_run_waits_for_approval"

    def test_do_not_leave_without_file_and_deposit(self, prepared, app_cursor):
        """The deposit of an earlier run does not do."""
        let_out(prepared["run"])
        told(authorised(number="4445556667"))
        run = prepare()
        statement = f"""UPDATE billing_autopayrun SET state = 'sent', sent_at = now(), sent_by_id = prepared_by_id,
                        deposit_id = (SELECT max(id) FROM billing_deposit) WHERE id = {run.pk}"""
        assert refused(app_cursor, statement) in {"autopay_run_leaves_whole", "billing_autopayrun_deposit_id_key"}

    def test_once_sent_stay_as_sent(self, prepared, app_cursor):
        run = let_out(prepared["run"])
        for change in ("state = 'ready'", "sent_at = now()", "total = total - 1"):
            with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.CheckViolation)):
                app_cursor.execute(f"UPDATE billing_autopayrun SET {change} WHERE id = {run.pk}")


class TestEntries:
    def entry(self, prepared, **changes):
        given = {
            "run": prepared["run"].pk,
            "authorisation": prepared["authorisation"].pk,
            "notice": prepared["notice"].pk,
            "original": "NULL::bigint",
            "retry": 0,
            "amount": "1.00",
        }
        return ENTRY.format(**given | changes)

    def test_one_a_notice(self, prepared, app_cursor):
        assert refused(app_cursor, self.entry(prepared)) == "autopay_entry_once_a_notice"

    def test_not_more_than_was_told(self, prepared, app_cursor):
        assert refused(app_cursor, self.entry(prepared, amount="26.66")) == "autopay_entry_as_told"

    def test_not_without_a_notice(self, prepared, app_cursor):
        assert refused(app_cursor, self.entry(prepared, notice="NULL::bigint")) in {
            "autopay_entry_as_told",
            "autopay_entry_noticed_or_again",
        }

    def test_not_under_an_authorisation_that_ended(self, prepared, app_cursor):
        app_cursor.execute(END)
        assert refused(app_cursor, self.entry(prepared)) == "autopay_entry_as_told"

    def test_not_again_unless_it_came_back_for_lack_of_money(self, prepared, app_cursor):
        run = let_out(prepared["run"])
        entry = run.entries.get()
        again = self.entry(prepared, notice="NULL::bigint", original=entry.pk, retry=1, amount="26.65")
        assert refused(app_cursor, again) == "autopay_entry_again_within_the_rules"
        take(returns(run, (entry.trace, "R02")))
        assert refused(app_cursor, again) in {"autopay_entry_again_within_the_rules", "autopay_entry_as_told"}

    def test_not_three_times_again(self, prepared, app_cursor):
        entry = let_out(prepared["run"]).entries.get()
        again = self.entry(prepared, notice="NULL::bigint", original=entry.pk, retry=3, amount="26.65")
        assert refused(app_cursor, again) in {"autopay_entry_at_most_two_retries", "autopay_entry_again_within_the_rules"}

    def test_leave_only_with_their_payment(self, prepared, app_cursor):
        statement = "UPDATE billing_autopayentry SET state = 'sent', trace = '056005070000001'"
        assert refused(app_cursor, statement) == "autopay_entry_is_its_payment"

    def test_are_kept_once_they_left(self, prepared, app_cursor):
        let_out(prepared["run"])
        for change in ("amount = 1", "state = 'open'", "trace = '056005070000009'"):
            with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.CheckViolation)):
                app_cursor.execute(f"UPDATE billing_autopayentry SET {change}")

    def test_a_charge_is_under_way_once(self, prepared, app_cursor):
        columns = "entry_id, charge_id, amount, attempt, is_open"
        twice = f"INSERT INTO billing_autopaycover ({columns}) "
        twice += "SELECT entry_id, charge_id, amount, {}, {} FROM billing_autopaycover"
        assert refused(app_cursor, twice.format("attempt", "false")) == "autopay_charge_once_an_attempt"
        assert refused(app_cursor, twice.format("attempt + 1", "true")) == "autopay_charge_under_way_once"


class TestReturns:
    def test_take_their_own_payment_back(self, prepared, app_cursor):
        run = let_out(prepared["run"])
        take(returns(run, (run.entries.get().trace, "R02")))
        told(authorised(number="4445556667"))
        other = let_out(prepare()).entries.get()
        statement = f"""INSERT INTO billing_autopayreturn (file_id, entry_id, reason, returned_on, payment_return_id)
                        SELECT file_id, {other.pk}, reason, returned_on, payment_return_id FROM billing_autopayreturn"""
        assert refused(app_cursor, statement) == "autopay_return_of_its_payment"


def test_no_authorisation_by_somebody_elses_guardian(prepared, app_cursor):
    columns = ", ".join(
        f.column for f in AutopayAuthorisation._meta.concrete_fields if f.column not in {"id", "document_id", "household_id"}
    )
    other = HouseholdFactory()
    statement = f"""INSERT INTO billing_autopayauthorisation ({columns}, household_id)
                    SELECT {columns}, {other.pk} FROM billing_autopayauthorisation"""
    assert refused(app_cursor, statement) == "autopay_by_a_guardian"

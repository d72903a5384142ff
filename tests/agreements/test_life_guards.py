"""What the database itself refuses about an agreement's life, tried in raw SQL by the application and by the owner."""

import datetime

import psycopg
import pytest

from rentals.agreements import life
from rentals.agreements.models import AgreementHold, LifeEvent, PayerShare
from tests.agreements.factories import SIGNED_AT, AgreementFactory

REFUSED = (psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)
D = datetime.date


@pytest.fixture
def signed(transactional_db):
    """An agreement signed and committed: months from January 31, 2026."""
    return AgreementFactory()


@pytest.fixture(params=["app", "owner"])
def cursor(request):
    """A raw cursor, once with the application's rights and once with the owner's."""
    return request.getfixturevalue(f"{request.param}_cursor")


class TestPeriodTerms:
    INSERT = (
        'INSERT INTO agreements_periodterms (agreement_id, first_period, begins_on, anchor_on, "offset", months, rent, '
        "rent_currency, protection, protection_currency, reason, made_at, made_by_id) "
        "VALUES (%s, %s, %s, %s, %s, 1, 30, 'USD', 0, 'USD', 'due_day', now(), %s)"
    )

    @pytest.mark.parametrize(
        ("period", "begins_on"),
        [
            (2, D(2026, 3, 15)),  # in the middle of period 1: a bridge
            (2, D(2026, 3, 31)),  # where it would begin anyway
        ],
    )
    def test_may_begin_within_the_period_before_or_at_its_end(self, signed, cursor, period, begins_on):
        cursor.execute(self.INSERT, [signed.pk, period, begins_on, begins_on, 0, signed.signed_by_id])
        assert cursor.rowcount == 1

    @pytest.mark.parametrize(
        ("period", "begins_on"),
        [
            (2, D(2026, 2, 28)),  # period 1 would have no day
            (2, D(2026, 4, 1)),  # a gap after period 1
            (1, D(2026, 1, 15)),  # before the agreement began
        ],
    )
    def test_leave_no_gap_and_no_overlap(self, signed, cursor, period, begins_on):
        with pytest.raises(psycopg.errors.CheckViolation, match="gap or overlap"):
            cursor.execute(self.INSERT, [signed.pk, period, begins_on, begins_on, 0, signed.signed_by_id])

    def test_begin_on_the_day_their_anchor_says(self, signed, cursor):
        with pytest.raises(psycopg.errors.CheckViolation, match="gap or overlap"):
            cursor.execute(self.INSERT, [signed.pk, 2, D(2026, 3, 15), D(2026, 3, 1), 0, signed.signed_by_id])

    def test_are_never_all_taken_away(self, signed, cursor):
        with pytest.raises(psycopg.errors.CheckViolation, match="gap or overlap"):
            cursor.execute("UPDATE agreements_periodterms SET superseded_at = now()")

    @pytest.mark.parametrize("change", ["rent = 1", "begins_on = begins_on + 1", "protection = 0"])
    def test_stay_as_they_were_written(self, signed, cursor, change):
        with pytest.raises(psycopg.errors.RestrictViolation, match="stays as it was written"):
            cursor.execute(f"UPDATE agreements_periodterms SET {change}")


class TestAHold:
    @pytest.fixture
    def hold(self, signed):
        return AgreementHold.objects.create(
            agreement=signed, kind="hold", from_on=D(2026, 3, 1), reason="Away", made_at=SIGNED_AT, made_by=signed.signed_by
        )

    LIFT = "UPDATE agreements_agreementhold SET until_on = '2026-05-01', lifted_at = now(), lifted_by_id = made_by_id"

    def test_is_lifted_once(self, hold, cursor):
        cursor.execute(self.LIFT)
        for change in (f"{self.LIFT}, is_forgiven = true", "UPDATE agreements_agreementhold SET until_on = '2026-06-01'"):
            with pytest.raises(psycopg.errors.RestrictViolation, match="ended once"):
                cursor.execute(change)

    def test_is_not_lifted_by_nobody(self, hold, cursor):
        with pytest.raises(psycopg.errors.CheckViolation, match="agreement_hold_lifted_by_someone"):
            cursor.execute("UPDATE agreements_agreementhold SET until_on = '2026-05-01'")

    def test_keeps_its_reason_and_first_day(self, hold, cursor):
        for change in ("reason = 'Other'", "from_on = from_on + 1", "kind = 'recall'"):
            with pytest.raises(psycopg.errors.RestrictViolation, match="can only be lifted"):
                cursor.execute(f"UPDATE agreements_agreementhold SET {change}")

    def test_there_is_one_at_a_time(self, hold, cursor):
        with pytest.raises(psycopg.errors.ExclusionViolation, match="agreement_one_hold_at_a_time"):
            cursor.execute(
                "INSERT INTO agreements_agreementhold (agreement_id, kind, from_on, is_forgiven, reason, made_at, made_by_id) "
                "SELECT agreement_id, 'recall', '2026-04-01', false, 'Late', now(), made_by_id FROM agreements_agreementhold"
            )


class TestTheTimeline:
    @pytest.mark.parametrize("table", ["lifeevent", "agreementhold", "payershare", "periodterms"])
    def test_is_never_deleted_nor_emptied(self, signed, cursor, table):
        made = {"agreement": signed, "acting_user": signed.signed_by, "now": SIGNED_AT}
        life.note_event(kind=LifeEvent.Kind.SIGNED, on=signed.starts_on, **made)
        PayerShare.objects.create(agreement=signed, guardian=signed.guardian, weight=50, from_on=signed.starts_on)
        AgreementHold.objects.create(
            agreement=signed, kind="hold", from_on=D(2026, 3, 1), reason="Away", made_at=SIGNED_AT, made_by=signed.signed_by
        )
        for statement in (f"DELETE FROM agreements_{table}", f"TRUNCATE agreements_{table} CASCADE"):
            with pytest.raises(REFUSED):
                cursor.execute(statement)

    def test_is_never_rewritten(self, signed, cursor):
        life.note_event(
            agreement=signed, kind=LifeEvent.Kind.SIGNED, on=signed.starts_on, acting_user=signed.signed_by, now=SIGNED_AT
        )
        with pytest.raises(REFUSED):
            cursor.execute("UPDATE agreements_lifeevent SET note = 'Otherwise'")


class TestPayerShares:
    def test_a_guardian_has_one_in_force(self, signed, cursor):
        PayerShare.objects.create(agreement=signed, guardian=signed.guardian, weight=50, from_on=signed.starts_on)
        with pytest.raises(psycopg.errors.UniqueViolation, match="payer_share_one_in_force"):
            cursor.execute(
                "INSERT INTO agreements_payershare (agreement_id, guardian_id, weight, from_on) "
                "SELECT agreement_id, guardian_id, 60, from_on + 9 FROM agreements_payershare"
            )

    def test_end_once_and_keep_their_weight(self, signed, cursor):
        PayerShare.objects.create(agreement=signed, guardian=signed.guardian, weight=50, from_on=signed.starts_on)
        with pytest.raises(psycopg.errors.RestrictViolation, match="can only end"):
            cursor.execute("UPDATE agreements_payershare SET weight = 60")
        cursor.execute("UPDATE agreements_payershare SET until_on = from_on + 9")
        with pytest.raises(psycopg.errors.RestrictViolation, match="ended once"):
            cursor.execute("UPDATE agreements_payershare SET until_on = from_on + 10")


class TestWhatFollows:
    def follow(self, cursor, signed, by):
        columns = (
            "household_id, guardian_id, student_id, item_id, plan_version_id, signed_at, starts_on, monthly_rent, "
            "monthly_rent_currency, monthly_protection, monthly_protection_currency, purchase_price, purchase_price_currency, "
            "replacement_value, replacement_value_currency, received_at, tax_area_id, signed_by_id, end_reason"
        )
        cursor.execute(
            f"INSERT INTO agreements_agreement (number, follows_id, follows_by, {columns}) "
            f"SELECT 'A-900001', id, %s, {columns.replace('end_reason', repr(''))} FROM agreements_agreement WHERE id = %s",
            [by, signed.pk],
        )

    @pytest.mark.parametrize("by", ["exchange", "size_up", "transfer", "reinstatement"])
    def test_never_follows_a_running_one(self, signed, cursor, by):
        with pytest.raises(psycopg.errors.CheckViolation, match="did not end for that"):
            self.follow(cursor, signed, by)

    @pytest.mark.parametrize(
        ("ended", "by"), [("returned", "transfer"), ("transferred", "exchange"), ("bought", "reinstatement")]
    )
    def test_never_follows_one_that_ended_otherwise(self, signed, cursor, ended, by):
        cursor.execute("UPDATE agreements_agreement SET ended_on = starts_on, end_reason = %s", [ended])
        with pytest.raises(psycopg.errors.CheckViolation, match="did not end for that"):
            self.follow(cursor, signed, by)

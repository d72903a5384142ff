"""What the database itself refuses about agreements, tried in raw SQL by the application and by the owner of the tables."""

import psycopg
import pytest

from tests.agreements.factories import AgreementFactory, PlanVersionFactory
from tests.agreements.test_operations import a_signup, sign, world
from tests.factories import SpecialistFactory

REFUSED = (psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)


@pytest.fixture
def signed(transactional_db):
    """An agreement signed and committed."""
    world()
    return sign(a_signup())


@pytest.fixture(params=["app", "owner"])
def cursor(request):
    """A raw cursor, once with the application's rights and once with the owner's."""
    return request.getfixturevalue(f"{request.param}_cursor")


class TestASignedAgreement:
    @pytest.mark.parametrize(
        "change",
        [
            "monthly_rent = 1",
            "purchase_price = 0",
            "signed_at = now()",
            "household_id = household_id + 1",
            "plan_version_id = plan_version_id + 1",
            "number = 'A-000009'",
            "ended_on = starts_on, end_reason = 'returned', monthly_rent = 1",
        ],
    )
    def test_never_changes(self, signed, cursor, change):
        with pytest.raises(psycopg.errors.RestrictViolation, match="never changes"):
            cursor.execute(f"UPDATE agreements_agreement SET {change}")

    def test_ends_once(self, signed, cursor):
        cursor.execute("UPDATE agreements_agreement SET ended_on = starts_on, end_reason = 'returned'")
        for change in ("ended_on = NULL, end_reason = ''", "ended_on = ended_on + 1", "end_reason = 'bought'"):
            with pytest.raises(psycopg.errors.RestrictViolation, match="ended once"):
                cursor.execute(f"UPDATE agreements_agreement SET {change}")

    def test_does_not_end_without_a_reason(self, signed, cursor):
        with pytest.raises(psycopg.errors.CheckViolation, match="agreement_end_has_a_reason"):
            cursor.execute("UPDATE agreements_agreement SET ended_on = starts_on")

    @pytest.mark.parametrize("table", ["agreement", "agreementunit", "agreementgoods", "signature", "planversion"])
    def test_nothing_of_it_is_deleted(self, signed, cursor, table):
        with pytest.raises(REFUSED):
            cursor.execute(f"DELETE FROM agreements_{table}")

    @pytest.mark.parametrize("table", ["agreement", "agreementunit", "agreementgoods", "signature", "planversion"])
    def test_nothing_of_it_is_emptied(self, signed, cursor, table):
        with pytest.raises(REFUSED):
            cursor.execute(f"TRUNCATE agreements_{table} CASCADE")

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE agreements_signature SET signer_name = 'Someone Else'",
            "UPDATE agreements_signature SET text_sha256 = repeat('0', 64)",
            "UPDATE agreements_agreementgoods SET quantity = quantity + 1",
            "UPDATE agreements_agreementunit SET instrument_id = instrument_id + 1",
            "UPDATE agreements_agreementunit SET began_at = now()",
        ],
    )
    def test_signature_goods_and_unit_stay(self, signed, cursor, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            cursor.execute(statement)


class TestOneInstrument:
    INSERT = (
        "INSERT INTO agreements_agreementunit (agreement_id, instrument_id, role, began_at, ended_at) "
        "VALUES (%s, %s, 'rented', %s::timestamptz, %s::timestamptz)"
    )

    def test_is_on_one_open_agreement(self, signed, cursor):
        other = AgreementFactory(household=signed.household, signed_by=SpecialistFactory())
        instrument = signed.units.get().instrument_id
        with pytest.raises(psycopg.errors.ExclusionViolation, match="instrument_on_one_agreement"):
            cursor.execute(self.INSERT, [other.pk, instrument, "2026-03-01", None])

    def test_may_be_on_another_before_and_after(self, signed, cursor):
        other = AgreementFactory(household=signed.household, signed_by=SpecialistFactory())
        instrument = signed.units.get().instrument_id
        cursor.execute(self.INSERT, [other.pk, instrument, "2025-01-01", "2025-06-01"])
        with pytest.raises(psycopg.errors.ExclusionViolation):
            cursor.execute(self.INSERT, [other.pk, instrument, "2025-05-01", "2025-07-01"])


class TestAPlanVersion:
    def test_published_never_changes(self, transactional_db, cursor):
        PlanVersionFactory()
        with pytest.raises(psycopg.errors.RestrictViolation, match="publish another"):
            cursor.execute("UPDATE agreements_planversion SET credit_share = 0.5")

    def test_unpublished_may_still_change(self, transactional_db, cursor):
        PlanVersionFactory(published_at=None)
        cursor.execute("UPDATE agreements_planversion SET credit_share = 0.5")
        cursor.execute("DELETE FROM agreements_planversion")
        assert cursor.rowcount == 1

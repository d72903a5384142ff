"""What the database refuses of credits, adjustments, refunds, late fees and payers, tried in raw SQL."""

from decimal import Decimal

import psycopg
import pytest

from billing import adjustments, allocation, charges, credits, deposits, ledger, payments, refunds
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory
from tests.factories import BookkeeperFactory, ManagerFactory

pytestmark = pytest.mark.django_db(transaction=True)
D = Decimal


@pytest.fixture
def books():
    """A bill with a credit note on it, an adjustment that waits and one granted, a late fee, money paid back in cash."""
    clerk, agreement = BookkeeperFactory(), AgreementFactory()
    OfficeFactory()
    acts = {"acting_user": clerk, "now": NOON}
    household = agreement.household
    rent = charges.charge_period(agreement=agreement, period=0, **acts)
    asked = adjustments.AdjustmentAsked(household, agreement, "less", D("5.00"), "Late delivery")
    granted = adjustments.ask_for_adjustment(asked=asked, **acts)
    asked = adjustments.AdjustmentAsked(household, agreement, "less", D("500.00"), "Late delivery")
    waiting = adjustments.ask_for_adjustment(asked=asked, **acts)
    fee = charges.charge_fee(
        household=household, on=DAY, description="Late fee", amount=D("5.00"), late_for=rent, agreement=agreement, **acts
    )
    other = HouseholdFactory()
    paid = payments.record_payment(household=other, method="cash", amount=D("50.00"), received_on=DAY, **acts)
    refund = refunds.make_refund(household=other, given=refunds.RefundGiven("cash", D("20.00"), DAY, "Overpaid"), **acts)
    return {
        "agreement": agreement, "household": household, "rent": rent, "granted": granted, "waiting": waiting, "fee": fee,
        "paid": paid, "refund": refund, "clerk": clerk, "manager": ManagerFactory(),
    }  # fmt: skip


def refused(cursor, statement, name):
    with pytest.raises(psycopg.Error) as error:
        cursor.execute(statement)
    assert name in (error.value.diag.constraint_name or "") + str(error.value)


@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
class TestKept:
    @pytest.mark.parametrize(
        ("table", "change"),
        [
            ("billing_adjustment", "amount = 1"),
            ("billing_adjustment", "needs_approval = false"),
            ("billing_creditnote", "amount = 1"),
            ("billing_creditnote", "reason = 'Other'"),
            ("billing_refund", "reason = 'Other'"),
        ],
    )
    def test_refuses_to_change(self, request, books, role, table, change):
        refused(request.getfixturevalue(role), f"UPDATE {table} SET {change}", "kept")

    @pytest.mark.parametrize("table", ["billing_adjustment", "billing_creditnote", "billing_refund"])
    def test_refuses_to_remove(self, request, books, role, table):
        refused(request.getfixturevalue(role), f"DELETE FROM {table}", "kept")


class TestAdjustments:
    def test_decided_it_stays(self, app_cursor, books):
        refused(
            app_cursor,
            f"UPDATE billing_adjustment SET decision_note = 'Changed' WHERE id = {books['granted'].pk}",
            "can only be decided on, once",
        )

    def test_never_by_the_asker(self, app_cursor, books):
        with app_cursor.connection.transaction(force_rollback=True):
            refused(
                app_cursor,
                "UPDATE billing_adjustment SET state = 'granted', decided_at = now(), decided_by_id = asked_by_id, "
                f"credit_note_id = NULL WHERE id = {books['waiting'].pk}",
                "adjustment_",
            )

    def test_never_with_another_credit_note(self, app_cursor, books):
        note = credits.write_credit_note(
            household=books["household"], agreement=books["agreement"], kind="adjustment", amount=D("499.00"), reason="Other",
            on=DAY, acting_user=books["clerk"], now=NOON,
        )  # fmt: skip
        refused(
            app_cursor,
            f"UPDATE billing_adjustment SET state = 'granted', decided_at = now(), decided_by_id = {books['manager'].pk}, "
            f"credit_note_id = {note.pk} WHERE id = {books['waiting'].pk}",
            "adjustment_is_what_was_asked",
        )


class TestRefunds:
    def test_is_what_its_entry_paid_out(self, app_cursor, books):
        insert = (
            "INSERT INTO billing_refund (charge_id, method, cheque_number, reason, made_at, made_by_id) "
            f"VALUES ({books['fee'].pk}, 'cash', '', 'By hand', now(), {books['clerk'].pk})"
        )
        refused(app_cursor, insert, "refund_equals_entry")

    def test_a_check_has_its_number(self, app_cursor, books):
        insert = (
            "INSERT INTO billing_refund (charge_id, method, cheque_number, reason, made_at, made_by_id) "
            f"VALUES ({books['refund'].charge_id}, 'cheque', '', 'By hand', now(), {books['clerk'].pk})"
        )
        refused(app_cursor, insert, "refund_")

    def test_in_a_deposit_it_is_not_voided(self, app_cursor, books):
        acts, charge = {"acting_user": books["clerk"], "now": NOON}, books["refund"].charge
        deposits.make_deposit(payments=[books["paid"]], deposited_on=DAY, **acts)
        allocation.release_of_charge(charge_id=charge.pk, now=NOON)
        undone = ledger.reverse_entry(entry=charge.entry, entry_on=DAY, reason="By hand", **acts)
        statement = f"UPDATE billing_charge SET void_entry_id = {undone.pk} WHERE id = {charge.pk}"
        refused(app_cursor, statement, "deposited_refund_stands")

    def test_makes_its_deposit_smaller_by_itself_only(self, app_cursor, books):
        deposit = deposits.make_deposit(
            payments=[
                payments.record_payment(
                    household=books["household"], method="cheque", cheque_number="9", amount=D("7.00"), received_on=DAY,
                    acting_user=books["clerk"], now=NOON,
                )
            ],
            deposited_on=DAY, acting_user=books["clerk"], now=NOON,
        )  # fmt: skip
        refused(
            app_cursor,
            f"UPDATE billing_refund SET deposit_id = {deposit.pk} WHERE id = {books['refund'].pk}",
            "deposit_is_its_payments",
        )


LATE = (
    "INSERT INTO billing_charge (household_id, agreement_id, kind, due_on, entry_id, late_for_id) "
    "SELECT {household}, NULL, 'fee', '2026-03-10', entry_id, {late_for} FROM billing_payment"
)


class TestLateFees:
    def test_once_for_a_charge(self, app_cursor, books):
        statement = LATE.format(household=books["household"].pk, late_for=books["rent"].pk)
        refused(app_cursor, statement, "late_fee_once_per_charge")

    def test_never_on_a_fee(self, app_cursor, books):
        statement = LATE.format(household=books["household"].pk, late_for=books["fee"].pk)
        refused(app_cursor, statement, "late_fee_is_for_rent")

    def test_never_for_another_family(self, app_cursor, books):
        statement = LATE.format(household=books["paid"].household_id, late_for=books["rent"].pk)
        refused(app_cursor, statement, "late_fee_is_for_rent")


class TestPayers:
    def test_is_a_guardian_of_the_household(self, app_cursor, books):
        statement = (
            "INSERT INTO billing_payment (number, household_id, method, cheque_number, amount, received_on, entry_id, "
            f"paid_by_id, taken_at, taken_by_id) SELECT 'P-999999', household_id, method, '', amount, received_on, entry_id, "
            f"{books['agreement'].guardian_id}, taken_at, taken_by_id FROM billing_payment WHERE id = {books['paid'].pk}"
        )
        refused(app_cursor, statement, "payer_is_of_the_household")

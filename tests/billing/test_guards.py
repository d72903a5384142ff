"""What the database refuses of the books, tried in raw SQL: with the application's rights, and as the tables' owner."""

import datetime

import psycopg
import pytest

from billing import charges, deposits, ledger, payments
from billing.models import Allocation, ChargeLine, ClosedMonth
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)

ENTRY = """INSERT INTO billing_journalentry (entry_on, kind, memo, source, currency, made_at, made_by_id)
           VALUES ('{day}', 'adjustment', 'By hand', '{source}', 'USD', now(), (SELECT min(id) FROM staff_user)) RETURNING id"""
POSTING = "INSERT INTO billing_posting (entry_id, account_id, amount)"
MONTH = "INSERT INTO billing_closedmonth (first_day, closed_at, closed_by_id, entry_count, debits)"
PERIOD = "household_id, agreement_id, kind, period, period_begins_on, period_ends_on, due_on"
PAID = "household_id, method, cheque_number, received_on, entry_id, taken_at, taken_by_id"
SET = {"billing_journalentry": "memo = ''", "billing_posting": "amount = 1", "billing_closedmonth": "closed_at = now()"}
KEPT_TABLES = [
    "billing_journalentry",
    "billing_posting",
    "billing_closedmonth",
    "billing_charge",
    "billing_chargeline",
    "billing_payment",
    "billing_paymentreturn",
    "billing_allocation",
    "billing_deposit",
]


@pytest.fixture
def cursor(request, app_cursor):
    return app_cursor


@pytest.fixture
def books():
    """A charge of 26.65 paid by 30.00, which is deposited; a second household that owes the same."""
    clerk = BookkeeperFactory()
    agreement, other = AgreementFactory(), AgreementFactory()
    for each in (agreement, other):
        charges.charge_period(agreement=each, period=0, acting_user=clerk, now=NOON)
    paid = payments.record_payment(
        household=agreement.household, method="cash", amount=30, received_on=DAY, acting_user=clerk, now=NOON
    )
    deposit = deposits.make_deposit(payments=[paid], deposited_on=DAY, acting_user=clerk, now=NOON)
    bounced = payments.record_payment(
        household=HouseholdFactory(), method="cash", amount=5, received_on=DAY, acting_user=clerk, now=NOON
    )
    payments.return_payment(payment=bounced, reason="Other", returned_on=DAY, acting_user=clerk, now=NOON)
    return {"clerk": clerk, "agreement": agreement, "other": other, "paid": paid, "deposit": deposit, "bounced": bounced}


def entry(cursor, *postings, day="2026-03-10", source="by hand"):
    """Write an entry and its postings by hand, in one transaction."""
    with cursor.connection.transaction():
        key = cursor.execute(ENTRY.format(day=day, source=source)).fetchone()[0]
        if postings:
            rows = ", ".join(f"({key}, '{account}', {household}, {amount})" for account, household, amount in postings)
            cursor.execute(f"INSERT INTO billing_posting (entry_id, account_id, household_id, amount) VALUES {rows}")
    return key


class TestEntries:
    def test_lets_a_balanced_one_pass(self, cursor, books):
        entry(cursor, ("1010", "NULL", 5), ("2900", "NULL", -5))

    @pytest.mark.parametrize(
        ("postings", "constraint"),
        [
            ([("1010", "NULL", 5), ("2900", "NULL", "-4.99")], "entry_balances"),
            ([("1010", "NULL", 5)], "entry_balances"),
            ([], "entry_has_postings"),
            ([("1200", "NULL", 5), ("4300", "NULL", -5)], "receivable_names_household"),
            ([("1010", "NULL", 0), ("2900", "NULL", 0)], "posting_not_zero"),
        ],
    )
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses(self, request, books, role, postings, constraint):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            entry(request.getfixturevalue(role), *postings)
        assert refused.value.diag.constraint_name == constraint

    def test_refuses_a_hundred_unbalanced_of_a_hundred(self, cursor, books):
        refused = 0
        for n in range(100):
            with pytest.raises(psycopg.errors.CheckViolation):
                entry(cursor, ("1010", "NULL", n + 1), ("2900", "NULL", -n), source=f"try {n}")
            refused += 1
        assert refused == 100

    def test_refuses_postings_one_at_a_time(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation), cursor.connection.transaction():
            key = cursor.execute(ENTRY.format(day=DAY, source="slowly")).fetchone()[0]
            for account, amount in (("1010", 5), ("2900", -5)):
                cursor.execute(
                    f"INSERT INTO billing_posting (entry_id, account_id, amount) VALUES ({key}, '{account}', {amount})"
                )

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses_a_balanced_pair_added_to_an_old_entry(self, request, books, role):
        key = books["paid"].entry_id
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            request.getfixturevalue(role).execute(f"{POSTING} VALUES ({key}, '1010', 5), ({key}, '2900', -5)")
        assert refused.value.diag.constraint_name == "entry_is_written_once"

    def test_refuses_a_reversal_of_another_amount(self, cursor, books):
        charge_entry = books["other"].charges.get().entry_id
        with pytest.raises(psycopg.errors.CheckViolation) as refused, cursor.connection.transaction():
            key = cursor.execute(
                ENTRY.format(day=DAY, source="undo").replace("made_by_id)", "made_by_id, reverses_id)").replace(
                    "'adjustment'", "'reversal'").replace("staff_user))", f"staff_user), {charge_entry})")
            ).fetchone()[0]  # fmt: skip
            cursor.execute(f"{POSTING} VALUES ({key}, '1010', 5), ({key}, '2900', -5)")
        assert refused.value.diag.constraint_name == "reversal_mirrors_its_entry"

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses_a_balanced_pair_added_later_in_the_same_transaction(self, request, books, role):
        cursor = request.getfixturevalue(role)
        with pytest.raises(psycopg.errors.CheckViolation) as refused, cursor.connection.transaction():
            key = entry(cursor, ("1010", "NULL", 5), ("2900", "NULL", -5))
            cursor.execute(f"{POSTING} VALUES ({key}, '1010', 7), ({key}, '2900', -7)")
        assert refused.value.diag.constraint_name == "entry_is_written_once"

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses_a_pair_added_to_an_old_entry_beside_a_new_one_far_away(self, request, books, role):
        cursor, old = request.getfixturevalue(role), books["paid"].entry_id
        with pytest.raises(psycopg.errors.CheckViolation) as refused, cursor.connection.transaction():
            cursor.execute(f"{POSTING} VALUES (999999, '1010', 5), (999999, '2900', -5), ({old}, '1010', 5), ({old}, '2900', -5)")
        assert refused.value.diag.constraint_name == "entry_is_written_once"

    @pytest.mark.parametrize("count", [2, 50])
    def test_refuses_one_without_postings_among_many(self, cursor, books, count):
        with pytest.raises(psycopg.errors.CheckViolation) as refused, cursor.connection.transaction():
            keys = [cursor.execute(ENTRY.format(day=DAY, source=f"one of {n}")).fetchone()[0] for n in range(count)]
            rows = ", ".join(f"({key}, '1010', 5), ({key}, '2900', -5)" for key in keys[:-1])
            cursor.execute(f"{POSTING} VALUES {rows}")
        assert refused.value.diag.constraint_name == "entry_has_postings"

    def test_refuses_one_without_postings_however_its_note_is_treated(self, owner_cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused, owner_cursor.connection.transaction():
            owner_cursor.execute(ENTRY.format(day=DAY, source="empty"))
            owner_cursor.execute("DELETE FROM billing_entrytofill")
        assert refused.value.diag.constraint_name == "entry_has_postings"

    def test_keeps_no_note_of_one_that_was_filled(self, owner_cursor, books):
        entry(owner_cursor, ("1010", "NULL", 5), ("2900", "NULL", -5))
        assert owner_cursor.execute("SELECT count(*) FROM billing_entrytofill").fetchone() == (0,)

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses_a_reversal_of_another_amount_in_one_statement(self, request, books, role):
        cursor, undone = request.getfixturevalue(role), books["other"].charges.get().entry_id
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(
                "WITH e AS (INSERT INTO billing_journalentry "
                "(id, entry_on, kind, memo, source, currency, made_at, made_by_id, reverses_id) "
                f"VALUES (999999, '{DAY}', 'reversal', '', 'late', 'USD', now(), (SELECT min(id) FROM staff_user), {undone})) "
                f"{POSTING} VALUES (999999, '1010', 5), (999999, '2900', -5)"
            )
        assert refused.value.diag.constraint_name == "reversal_mirrors_its_entry"


class TestNothingIsRewritten:
    @pytest.mark.parametrize("table", KEPT_TABLES)
    @pytest.mark.parametrize("statement", ["DELETE FROM {}", "TRUNCATE {} CASCADE"])
    def test_not_even_by_the_owner(self, owner_cursor, books, table, statement):
        ClosedMonth.objects.create(first_day=DAY.replace(month=1, day=1), closed_at=NOON, closed_by=books["clerk"])
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute(statement.format(table))

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE billing_journalentry SET memo = 'other'",
            "UPDATE billing_posting SET amount = amount * 2",
            "UPDATE billing_closedmonth SET closed_at = now()",
            "UPDATE billing_chargeline SET amount = 1",
            "UPDATE billing_deposit SET amount = 1",
            "UPDATE billing_paymentreturn SET reason = 'other'",
            "UPDATE billing_charge SET due_on = '2027-01-01'",
            "UPDATE billing_payment SET amount = 1",
            "UPDATE billing_payment SET deposit_id = NULL WHERE deposit_id IS NOT NULL",
            "UPDATE billing_allocation SET amount = 1",
        ],
    )
    def test_no_column_but_the_one_to_be_filled_in(self, owner_cursor, books, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute(statement)

    @pytest.mark.parametrize("table", ["billing_journalentry", "billing_posting", "billing_closedmonth"])
    @pytest.mark.parametrize("statement", ["UPDATE {} SET {}", "DELETE FROM {}", "TRUNCATE {}"])
    def test_the_application_has_no_right_to_it(self, cursor, table, statement):
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            cursor.execute(statement.format(table, SET[table]))

    def test_a_released_allocation_stays_released(self, owner_cursor, books):
        owner_cursor.execute("UPDATE billing_allocation SET released_at = made_at")
        with pytest.raises(psycopg.errors.RestrictViolation):
            owner_cursor.execute("UPDATE billing_allocation SET released_at = NULL")


class TestClosedMonths:
    @pytest.fixture
    def closed(self, books):
        for month in (1, 2, 3):
            ClosedMonth.objects.create(first_day=DAY.replace(month=month, day=1), closed_at=NOON, closed_by=books["clerk"])

    @pytest.mark.parametrize("day", ["2026-01-15", "2026-03-31", "2025-07-04"])
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_take_nothing_more(self, request, closed, role, day):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            entry(request.getfixturevalue(role), ("1010", "NULL", 5), ("2900", "NULL", -5), day=day)
        assert refused.value.diag.constraint_name == "entry_in_open_month"

    def test_the_next_day_is_open(self, cursor, closed):
        entry(cursor, ("1010", "NULL", 5), ("2900", "NULL", -5), day="2026-04-01")

    def test_take_no_charge_by_any_way(self, closed, books):
        with pytest.raises(ledger.MonthClosedError):
            charges.void_charge(charge=books["other"].charges.get(), reason="Late", acting_user=books["clerk"], now=NOON)

    @pytest.mark.parametrize("first_day", ["2026-02-01", "2025-12-01"])
    def test_are_closed_in_order(self, cursor, closed, first_day):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(f"{MONTH} VALUES ('{first_day}', now(), (SELECT min(id) FROM staff_user), 0, 0)")
        assert refused.value.diag.constraint_name == "months_close_in_order"

    def test_never_skip_one_with_entries(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(f"{MONTH} VALUES ('2026-03-01', now(), (SELECT min(id) FROM staff_user), 0, 0)")
        assert refused.value.diag.constraint_name == "months_close_in_order"


class TestCharges:
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_take_no_line_more(self, request, books, role):
        charge = books["other"].charges.get()
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            request.getfixturevalue(role).execute(
                "INSERT INTO billing_chargeline (charge_id, position, kind, is_tax, description, amount) "
                f"VALUES ({charge.pk}, 9, 'fee', false, 'Slipped in', 5)"
            )
        assert refused.value.diag.constraint_name == "charge_lines_equal_entry"

    def test_take_no_lines_more_when_far_apart(self, owner_cursor, books):
        near = books["other"].charges.get()
        line = "'fee', false, 'Slipped in'"
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            owner_cursor.execute(
                "INSERT INTO billing_chargeline (charge_id, position, kind, is_tax, description, amount) "
                f"VALUES ({near.pk}, 9, {line}, 5), (999999, 1, {line}, 0)"
            )
        assert refused.value.diag.constraint_name == "charge_lines_equal_entry"

    def test_are_not_voided_by_an_entry_that_undoes_something_else(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(
                f"UPDATE billing_charge SET void_entry_id = {books['paid'].entry_id} WHERE id = {books['other'].charges.get().pk}"
            )
        assert refused.value.diag.constraint_name == "charge_void_undoes_it"

    def test_are_not_voided_while_paid(self, books):
        charge = books["agreement"].charges.get()
        undone = ledger.reverse_entry(entry=charge.entry, entry_on=DAY, reason="Test", acting_user=books["clerk"], now=NOON)
        charge.void_entry = undone
        from django.db import IntegrityError

        with pytest.raises(IntegrityError, match="still paid for"):
            charge.save(update_fields=["void_entry"])

    def test_one_for_a_period(self, cursor, books):
        agreement = books["other"]
        with pytest.raises(psycopg.errors.UniqueViolation) as refused:
            cursor.execute(
                f"INSERT INTO billing_charge ({PERIOD}, entry_id) SELECT {PERIOD}, {books['paid'].entry_id} "
                f"FROM billing_charge WHERE agreement_id = {agreement.pk}"
            )
        assert refused.value.diag.constraint_name == "rent_charge_once_per_period"


class TestAllocations:
    def insert(self, cursor, payment, line, amount):
        cursor.execute(
            "INSERT INTO billing_allocation (payment_id, line_id, amount, made_at) "
            f"VALUES ({payment.pk}, {line.pk}, {amount}, now())"
        )

    @pytest.fixture
    def more(self, books):
        """Another 10.00 of the first household, so that 13.35 are on account and nothing is owed; and a second charge."""
        rich = payments.record_payment(
            household=books["agreement"].household,
            method="cash",
            amount=10,
            received_on=DAY,
            acting_user=books["clerk"],
            now=NOON,
        )
        charges.charge_fee(
            household=books["agreement"].household, on=DAY, description="Fee", amount=50, acting_user=books["clerk"], now=NOON
        )
        return rich

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_never_exceed_the_payment(self, request, books, more, role):
        fee = ChargeLine.objects.get(kind="fee")
        Allocation.objects.filter(payment=more).update(released_at=NOON)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(request.getfixturevalue(role), more, fee, "10.01")
        assert refused.value.diag.constraint_name == "allocations_within_payment"

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_never_exceed_the_line(self, request, books, more, role):
        rent = ChargeLine.objects.get(kind="rent", is_tax=False, charge__agreement=books["agreement"])
        Allocation.objects.filter(payment=more).update(released_at=NOON)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(request.getfixturevalue(role), more, rent, "0.01")
        assert refused.value.diag.constraint_name == "allocations_within_line"

    def test_stay_in_the_household(self, cursor, books, more):
        line = ChargeLine.objects.filter(charge__agreement=books["other"]).first()
        Allocation.objects.filter(payment=more).update(released_at=NOON)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(cursor, more, line, 1)
        assert refused.value.diag.constraint_name == "allocation_of_good_money"

    def test_are_never_of_a_returned_payment(self, cursor, books):
        clerk, bounced = books["clerk"], books["bounced"]
        fee = charges.charge_fee(
            household=bounced.household, on=DAY, description="Fee", amount=5, acting_user=clerk, now=NOON
        ).lines.get()
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(cursor, bounced, fee, 1)
        assert refused.value.diag.constraint_name == "allocation_of_good_money"

    def test_are_never_to_a_voided_charge(self, cursor, books, more):
        charge = ChargeLine.objects.get(kind="fee").charge
        charges.void_charge(charge=charge, reason="Test", acting_user=books["clerk"], now=NOON)
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            self.insert(cursor, more, charge.lines.get(), 1)
        assert refused.value.diag.constraint_name == "allocation_of_good_money"


class TestPaymentsAndDeposits:
    def test_a_payment_is_what_its_entry_says(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(
                f"INSERT INTO billing_payment (number, amount, {PAID}) SELECT 'X', amount + 1, {PAID} "
                f"FROM billing_payment WHERE id = {books['paid'].pk}"
            )
        assert refused.value.diag.constraint_name == "payment_equals_entry"

    def test_a_return_leaves_nothing_paid(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(
                "INSERT INTO billing_paymentreturn (payment_id, returned_on, reason, entry_id, made_at, made_by_id) "
                f"VALUES ({books['paid'].pk}, '2026-03-11', 'Other', {books['paid'].entry_id}, now(), {books['clerk'].pk})"
            )
        assert refused.value.diag.constraint_name == "return_releases_allocations"

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_a_deposit_is_the_sum_of_its_payments(self, request, books, role):
        cursor, clerk = request.getfixturevalue(role), books["clerk"]
        spare = payments.record_payment(
            household=HouseholdFactory(), method="cash", amount=5, received_on=DAY, acting_user=clerk, now=NOON
        )
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(f"UPDATE billing_payment SET deposit_id = {books['deposit'].pk} WHERE id = {spare.pk}")
        assert refused.value.diag.constraint_name == "deposit_is_its_payments"

    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_nothing_lies_in_a_deposit_of_a_day_before_it_was_received(self, request, books, role):
        cursor, after = request.getfixturevalue(role), DAY + datetime.timedelta(days=1)
        spare = payments.record_payment(
            household=HouseholdFactory(), method="cash", amount=5, received_on=after, acting_user=books["clerk"], now=NOON
        )
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(f"UPDATE billing_payment SET deposit_id = {books['deposit'].pk} WHERE id = {spare.pk}")
        assert refused.value.diag.constraint_name == "deposit_after_receipt"

    def test_a_returned_payment_is_not_deposited(self, cursor, books):
        with pytest.raises(psycopg.errors.CheckViolation) as refused:
            cursor.execute(f"UPDATE billing_payment SET deposit_id = {books['deposit'].pk} WHERE id = {books['bounced'].pk}")
        assert refused.value.diag.constraint_name == "deposit_of_what_is_on_hand"

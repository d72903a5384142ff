"""What the database refuses of takings, tried in raw SQL; and a payment racing a count."""

from decimal import Decimal

import psycopg
import pytest

from billing import allocation, ledger, payments, refunds
from billing.models import Payment, Taking, TakingCount
from billing.taking import days, operations
from tests.billing.factories import DAY, NOON, HouseholdFactory
from tests.factories import BookkeeperFactory, ManagerFactory

pytestmark = pytest.mark.django_db(transaction=True)
D = Decimal


@pytest.fixture
def day():
    """Thirty in cash, counted one dollar short and closed, beside an open day of somebody else."""
    clerk, other = BookkeeperFactory(), BookkeeperFactory()
    paid = take(clerk)
    take(other)
    taking = Taking.objects.get(person=clerk)
    counted = operations.CountedDown({100: 29}, frozenset(), "Wrong change")
    operations.count_down(taking=taking, counted=counted, acting_user=clerk, now=NOON)
    count = operations.confirm_count(taking=taking, acting_user=ManagerFactory(), now=NOON)
    return {"clerk": clerk, "other": other, "paid": paid, "taking": taking, "count": count}


def take(clerk, household=None):
    return payments.record_payment(
        household=household or HouseholdFactory(), method="cash", amount=D(30), received_on=DAY, acting_user=clerk, now=NOON
    )


def refused(cursor, statement, name):
    with pytest.raises(psycopg.Error) as error:
        cursor.execute(statement)
    assert name in (error.value.diag.constraint_name or "") + str(error.value)


COPIED = (
    "INSERT INTO billing_payment (id, number, household_id, method, cheque_number, amount, received_on, entry_id, taken_at, "
    "taken_by_id, taking_id) SELECT nextval('billing_payment_id_seq'), 'P-X', household_id, {method}, '', amount, received_on, "
    "entry_id, taken_at, {by}, {taking} FROM billing_payment WHERE id = {paid}"
)


@pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
class TestKept:
    @pytest.mark.parametrize(
        ("table", "change"),
        [
            ("billing_taking", "day = day + 1"),
            ("billing_takingcount", "counted_cash = 30"),
            ("billing_takingcount", "reason = 'Other'"),
            ("billing_takingcount", "closed_by_id = counted_by_id"),
            ("billing_takingcount", "closed_at = NULL, closed_by_id = NULL, entry_id = NULL"),
            ("billing_takingcount", "reopened_at = now(), reopened_by_id = counted_by_id"),
        ],
    )
    def test_refuses_to_change(self, request, day, role, table, change):
        with pytest.raises(psycopg.Error, match=r"kept|taking_"):
            request.getfixturevalue(role).execute(f"UPDATE {table} SET {change}")

    @pytest.mark.parametrize("table", ["billing_taking", "billing_takingcount"])
    def test_refuses_to_remove(self, request, day, role, table):
        refused(request.getfixturevalue(role), f"DELETE FROM {table}", "kept")


class TestPayments:
    def insert(self, day, **changes):
        values = {"method": "'cash'", "by": day["clerk"].pk, "taking": day["taking"].pk, "paid": day["paid"].pk, **changes}
        return COPIED.format(**values)

    def test_none_into_a_closed_day(self, app_cursor, day):
        refused(app_cursor, self.insert(day), "taking_closed_takes_no_more")

    def test_none_into_anothers_day(self, app_cursor, day):
        theirs = Taking.objects.get(person=day["other"]).pk
        refused(app_cursor, self.insert(day, taking=theirs), "payment_in_own_takings")

    def test_no_cash_outside_of_takings_and_no_transfer_inside(self, app_cursor, day):
        refused(app_cursor, self.insert(day, taking="NULL"), "payment_in_own_takings")
        theirs = Taking.objects.get(person=day["other"]).pk
        refused(app_cursor, self.insert(day, taking=theirs, by=day["other"].pk, method="'transfer'"), "payment_in_own_takings")

    def test_none_moves_to_another_day(self, app_cursor, day):
        theirs = Taking.objects.get(person=day["other"]).pk
        refused(app_cursor, f"UPDATE billing_payment SET taking_id = {theirs}", "kept as it was taken")

    def test_no_void_after_the_count(self, app_cursor, day):
        paid = day["paid"]
        entry = ledger.post_entry(
            entry_on=DAY,
            kind="returned_payment",
            memo="Late",
            source="payment-return/late",
            postings=[ledger.Line("1200", D(30), paid.household_id), ledger.Line("1000", D(-30))],
            acting_user=day["clerk"],
            now=NOON,
        )
        refused(
            app_cursor,
            "INSERT INTO billing_paymentreturn (kind, payment_id, returned_on, reason, entry_id, made_at, made_by_id) "
            f"VALUES ('mistake', {paid.pk}, '{DAY}', 'Late', {entry.pk}, now(), {day['clerk'].pk})",
            "taking_closed_takes_no_more",
        )


class TestRefunds:
    def test_no_void_after_the_count(self, app_cursor):
        """Whatever the office's own code says: the refund's entry is undone, and the charge may not say so."""
        clerk, household = BookkeeperFactory(), HouseholdFactory()
        take(clerk, household)
        given = refunds.RefundGiven("cash", D(10), DAY, "Paid too much")
        refund = refunds.make_refund(household=household, given=given, acting_user=clerk, now=NOON)
        counted = operations.CountedDown({1000: 2}, frozenset(), "")
        operations.count_down(taking=Taking.objects.get(person=clerk), counted=counted, acting_user=clerk, now=NOON)
        allocation.release_of_charge(charge_id=refund.charge_id, now=NOON)
        undone = ledger.reverse_entry(entry=refund.charge.entry, entry_on=DAY, reason="Late", acting_user=clerk, now=NOON)
        statement = f"UPDATE billing_charge SET void_entry_id = {undone.pk} WHERE id = {refund.charge_id}"
        refused(app_cursor, statement, "taking_closed_takes_no_more")


class TestCounts:
    def count(self, taking, by, *, cash="30.00", apart="0", second="false"):
        return (
            "INSERT INTO billing_takingcount (taking_id, pieces, counted_cash, taken_cash, paid_back, banked, difference, "
            "cheque_count, cheque_sum, reason, needs_second, counted_at, counted_by_id, reopen_reason) VALUES "
            f"({taking.pk}, '{{}}', {cash}, 30, 0, 0, {apart}, 0, 0, '', {second}, now(), {by.pk}, '')"
        )

    def test_counted_once(self, app_cursor, day):
        refused(app_cursor, self.count(day["taking"], day["clerk"]), "taking_counted_once")

    def test_adds_up_and_has_its_reason(self, app_cursor, day):
        open_day = Taking.objects.get(person=day["other"])
        refused(app_cursor, self.count(open_day, day["other"], cash="29.00"), "taking_count_adds_up")
        refused(app_cursor, self.count(open_day, day["other"], cash="29.00", apart="-1"), "taking_difference_has_a_reason")

    def test_is_of_what_was_taken_by_who_took_it(self, app_cursor, day):
        open_day = Taking.objects.get(person=day["other"])
        refused(app_cursor, self.count(open_day, day["clerk"]), "taking_count_is_of_the_day")
        take(day["other"])
        refused(app_cursor, self.count(open_day, day["other"]), "taking_count_is_of_the_day")

    def test_closes_with_the_entry_of_its_difference(self, app_cursor, day):
        open_day = Taking.objects.get(person=day["other"])
        counted = operations.CountedDown({2000: 1}, frozenset(), "Ten dollars are gone")
        operations.count_down(taking=open_day, counted=counted, acting_user=day["other"], now=NOON)
        where = f"WHERE taking_id = {open_day.pk}"
        refused(
            app_cursor,
            f"UPDATE billing_takingcount SET closed_at = now(), closed_by_id = {day['clerk'].pk}, entry_id = "
            f"{day['paid'].entry_id} {where}",
            "taking_count_equals_entry",
        )
        refused(
            app_cursor,
            f"UPDATE billing_takingcount SET closed_at = now(), closed_by_id = {day['clerk'].pk} {where}",
            "taking_difference_is_posted",
        )


class TestRace:
    def test_a_payment_and_the_count_of_its_day(self, race):
        """Either the payment comes first and the count does not fit it, or the count does and the payment is refused."""
        clerk = BookkeeperFactory()
        families = [HouseholdFactory() for _ in range(5)]
        take(clerk)
        taking = Taking.objects.get(person=clerk)
        counted = operations.CountedDown({1000: 3}, frozenset())
        outcomes = race(
            lambda: operations.count_down(taking=taking, counted=counted, acting_user=clerk, now=NOON),
            *(lambda family=family: take(clerk, family) for family in families),
        )
        closed = isinstance(outcomes[0], TakingCount)
        took = [each for each in outcomes[1:] if isinstance(each, Payment)]
        if closed:
            assert took == []
            assert all(isinstance(each, days.TakingClosedError) for each in outcomes[1:])
        else:
            assert isinstance(outcomes[0], operations.DifferenceNeedsReasonError)
            assert took

"""What the database's migrations carry over from earlier: payers people had matched, and returns that were undone."""

import importlib
from decimal import Decimal
from pathlib import Path

import pytest

from billing import payments, returns
from billing.banking import matching, payers
from billing.banking.matching import Part
from billing.models import BankPayer, PaymentReturn
from tests.billing.factories import DAY, NOON, HouseholdFactory

MIGRATIONS = Path(__file__).parents[3] / "billing" / "migrations"


def migration(name):
    (found,) = MIGRATIONS.glob(f"*_{name}.py")
    return importlib.import_module(f"billing.migrations.{found.stem}")


@pytest.fixture
def paid_by(transactional_db, bookkeeper, one_line):
    """Match a line of a payer for some households, each with five dollars: `paid_by("GRANDPA JOE", household)`."""
    count = iter(range(1, 99))

    def match(name, *households, how="hand"):
        bank_line = one_line(f"{5 * len(households)}.00", name=name, reference=f"A{next(count)}")
        parts = [Part("payment", Decimal("5.00"), household_id=each.pk) for each in households]
        matching.match_line(line=bank_line, parts=parts, how=how, acting_user=bookkeeper, now=NOON)
        return bank_line

    return match


class TestPayers:
    @pytest.fixture
    def carry_over(self, owner_cursor):
        """Run it as on the day payers began to be remembered: nothing is known of any yet."""

        def run(*, forget=True):
            if forget:
                owner_cursor.execute("DELETE FROM billing_bankpayer")
            owner_cursor.execute(migration("payers_of_earlier_matches").LEARN)

        return run

    def test_one_whom_a_person_matched_is_known(self, paid_by, carry_over, bookkeeper):
        household = HouseholdFactory()
        paid_by("GRANDPA JOE", household)
        last = paid_by("GRANDPA JOE", household)
        carry_over()
        row = BankPayer.objects.get()
        assert (row.payer, row.household, row.line, row.learned_by) == ("GRANDPA JOE", household, last, bookkeeper)
        assert payers.recall({"GRANDPA JOE"}).households == {"GRANDPA JOE": (household.pk, last.posted_on)}

    def test_not_one_who_paid_for_two_households(self, paid_by, carry_over):
        first, second = HouseholdFactory(), HouseholdFactory()
        paid_by("GRANDPA JOE", first)
        paid_by("GRANDPA JOE", second)
        paid_by("AUNT MAY", first, second)
        carry_over()
        assert not BankPayer.objects.exists()

    def test_not_what_matched_itself_or_was_undone(self, paid_by, carry_over, bookkeeper):
        household = HouseholdFactory()
        paid_by("GRANDPA JOE", household, how="certain")
        matching.undo_match(line=paid_by("AUNT MAY", household), acting_user=bookkeeper, now=NOON)
        carry_over()
        assert not BankPayer.objects.exists()

    def test_what_is_remembered_or_forgotten_stays_as_it_is(self, paid_by, carry_over, bookkeeper):
        household, other = HouseholdFactory(), HouseholdFactory()
        paid_by("GRANDPA JOE", household)
        paid_by("AUNT MAY", other)
        BankPayer.objects.filter(payer="AUNT MAY").update(is_refused=True, forgotten_at=NOON, forgotten_by=bookkeeper)
        before = list(BankPayer.objects.order_by("pk").values())
        carry_over(forget=False)
        assert list(BankPayer.objects.order_by("pk").values()) == before


class TestUndoneReturns:
    def test_are_written_again_from_the_journal(self, transactional_db, deposit, bookkeeper, owner_cursor):
        payment = deposit("26.65").payments.get()
        for reason in ("Account closed: by the bank", "Insufficient funds"):
            payments.return_payment(payment=payment, reason=reason, returned_on=DAY, acting_user=bookkeeper, now=NOON)
            if reason != "Insufficient funds":
                returns.undo_return(payment=payment, reason="mistake", acting_user=bookkeeper, now=NOON)
        kept = list(PaymentReturn.objects.order_by("entry_id").values())
        later = ("paymentreturn_kept", "paymentreturn_begins_standing")  # guards that came after it
        for guard in later:
            owner_cursor.execute(f"ALTER TABLE billing_paymentreturn DISABLE TRIGGER {guard}")
        try:
            owner_cursor.execute("DELETE FROM billing_paymentreturn WHERE undone_at IS NOT NULL")
            for _twice in range(2):
                owner_cursor.execute(migration("undone_return_guards").WRITTEN_AGAIN)
        finally:
            for guard in later:
                owner_cursor.execute(f"ALTER TABLE billing_paymentreturn ENABLE TRIGGER {guard}")
        again = list(PaymentReturn.objects.order_by("entry_id").values())
        assert [{**row, "id": 0} for row in again] == [{**row, "id": 0} for row in kept]

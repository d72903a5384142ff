"""What the database refuses of purchases and quotes, tried in raw SQL with the application's rights."""

import psycopg
import pytest

from billing import verify
from billing.models import Purchase
from rentals.counter.life import buying
from tests.counter.leaving import rental, sent, shop, who
from tests.inventory.factories import InstrumentFactory

pytestmark = pytest.mark.django_db(transaction=True)

COLUMNS = "kind, instrument_id, bought_on, price, credit_used, discount, net, tax, charge_id, entry_id, made_at, made_by_id"


@pytest.fixture
def sold():
    """A clarinet of 900.00 bought on 60.00 of credit."""
    agreement = rental(months=2, plan_version=shop())
    buying.buy(agreement=agreement, terms=buying.Terms(), sent=sent(agreement), **who())
    return Purchase.objects.get()


def test_a_purchase_is_never_changed_removed_or_emptied(sold, app_cursor):
    for sql in ("UPDATE billing_purchase SET credit_used = 0", "DELETE FROM billing_purchase", "TRUNCATE billing_purchase"):
        with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
            app_cursor.execute(sql)
    for sql in ("UPDATE billing_payoffquote SET net = 0", "DELETE FROM billing_payoffquote"):
        with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
            app_cursor.execute(sql)


def test_credit_that_was_not_earned_is_refused(sold, app_cursor):
    other, unit = rental(), InstrumentFactory()
    with pytest.raises(psycopg.errors.CheckViolation, match="uses 0\\.01 of credit, but 0"):
        app_cursor.execute(
            f"INSERT INTO billing_purchase (agreement_id, {COLUMNS}) "
            "SELECT %s, kind, %s, bought_on, price, 0.01, 0, price - 0.01, 0, charge_id, entry_id, made_at, made_by_id "
            "FROM billing_purchase",
            [other.pk, unit.pk],
        )


def test_figures_must_add_up(sold, app_cursor):
    other, unit = rental(), InstrumentFactory()
    with pytest.raises(psycopg.errors.CheckViolation, match=r"purchase_adds_up|is not what its entry posts"):
        app_cursor.execute(
            f"INSERT INTO billing_purchase (agreement_id, {COLUMNS}) "
            "SELECT %s, kind, %s, bought_on, price, 0, 0, price - 1, 0, charge_id, entry_id, made_at, made_by_id "
            "FROM billing_purchase",
            [other.pk, unit.pk],
        )


def test_what_a_purchase_used_is_held_by_the_check_of_the_books(sold, owner_cursor):
    check = next(each for each in verify.CHECKS if each.find.__name__ == "credit_used_was_earned")
    assert check.find() == []
    with owner_cursor.connection.transaction():
        owner_cursor.execute("SET LOCAL session_replication_role TO replica")
        owner_cursor.execute("UPDATE billing_purchase SET credit_used = credit_used + 1, net = net - 1")
    assert "used 61.00 of credit, but 60.00 was earned then" in check.find()[0]

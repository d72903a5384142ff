"""What the database refuses of the fleet in the books, tried in raw SQL with the application's rights and the owner's."""

import datetime
from decimal import Decimal

import psycopg
import pytest

from billing import chart, ledger
from billing.fleet import operations
from billing.models import FleetAsset, FleetRemoval
from tests.billing.fleet.conftest import APRIL, DAY, MARCH, NOON, book, buy, depreciate
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db(transaction=True)

ASSET = """INSERT INTO billing_fleetasset (instrument_id, cost, in_service_on, life_months, salvage, method, tax_class,
                                           entry_id, booked_at, booked_by_id)
           VALUES (%(instrument)s, %(cost)s, '2026-03-10', %(life)s, %(salvage)s, %(method)s, %(tax_class)s, %(entry)s, now(),
                   (SELECT min(id) FROM staff_user))"""
ROW = """INSERT INTO billing_fleetdepreciation (asset_id, month, age, amount, accumulated, entry_id)
         VALUES (%(asset)s, %(month)s, %(age)s, %(amount)s, %(accumulated)s, %(entry)s)"""
MONTH = """INSERT INTO billing_depreciatedmonth (first_day, entry_id, asset_count, amount, made_at, made_by_id)
           VALUES (%s, %s, 1, %s, now(), (SELECT min(id) FROM staff_user))"""
REMOVAL = """INSERT INTO billing_fleetremoval (asset_id, removed_on, how, depreciated, entry_id, made_at, made_by_id)
             VALUES (%s, '2026-04-10', 'sold', %s, %s, now(), (SELECT min(id) FROM staff_user))"""
TABLES = ["billing_fleetasset", "billing_fleetdepreciation", "billing_depreciatedmonth", "billing_fleetremoval"]


@pytest.fixture
def books():
    """Two instruments, one depreciated for March and sold in April, the other over 600.00 depreciated for March."""
    clerk = BookkeeperFactory()
    kept, sold = buy("F-001", "600.00"), buy("F-002", "120.00")
    book(clerk)
    depreciate(clerk, MARCH)
    operations.remove_asset(instrument=sold, on=APRIL, how="sold", acting_user=clerk, now=NOON)
    return {"clerk": clerk, "kept": FleetAsset.objects.get(instrument=kept), "sold": FleetAsset.objects.get(instrument=sold)}


def post(clerk, *postings, source="by hand"):
    """An entry to stand on."""
    lines = [ledger.Line(account, amount) for account, amount in postings]
    return ledger.post_entry(
        entry_on=DAY, kind="adjustment", memo="By hand", source=source, postings=lines, acting_user=clerk, now=NOON
    ).pk


def refused(cursor, statement, parameters=None):
    with pytest.raises((psycopg.errors.CheckViolation, psycopg.errors.UniqueViolation)) as error:
        cursor.execute(statement, parameters)
    return error.value.diag.constraint_name


class TestNothingIsRewritten:
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    @pytest.mark.parametrize("table", TABLES)
    @pytest.mark.parametrize("statement", ["DELETE FROM {}", "TRUNCATE {} CASCADE"])
    def test_not_even_by_the_owner(self, request, books, role, table, statement):
        with pytest.raises((psycopg.errors.RestrictViolation, psycopg.errors.InsufficientPrivilege)):
            request.getfixturevalue(role).execute(statement.format(table))

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE billing_fleetasset SET life_months = 12",
            "UPDATE billing_fleetdepreciation SET amount = 0",
            "UPDATE billing_depreciatedmonth SET asset_count = 9",
            "UPDATE billing_fleetremoval SET how = 'lost'",
        ],
    )
    def test_not_a_column(self, app_cursor, books, statement):
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute(statement)


class TestAssets:
    VALUES = {"cost": "50.00", "life": 60, "salvage": "0", "method": "straight_line", "tax_class": 7}

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"cost": "49.99"}, "fleet_assets_equal_entry"),
            ({"cost": "0", "salvage": "0"}, "fleet_asset_cost_positive"),
            ({"salvage": "50.01"}, "fleet_asset_salvage_within_cost"),
            ({"salvage": "-1"}, "fleet_asset_salvage_within_cost"),
            ({"life": 0}, "fleet_asset_has_a_life"),
            ({"method": "by_feel"}, "fleet_asset_method_known"),
            ({"tax_class": 4}, "fleet_asset_tax_class_known"),
        ],
    )
    def test_refuses(self, app_cursor, books, changes, constraint):
        entry = post(books["clerk"], (chart.FLEET, 50), (chart.FLEET_TO_CLEAR, -50))
        values = {**self.VALUES, "instrument": buy("F-003", "50.00").pk, "entry": entry}
        assert refused(app_cursor, ASSET, {**values, **changes}) == constraint
        app_cursor.execute(ASSET, values)

    def test_refuses_one_more_on_an_entry_that_has_its_own(self, app_cursor, books):
        values = {**self.VALUES, "instrument": buy("F-003", "50.00").pk, "entry": books["kept"].entry_id}
        assert refused(app_cursor, ASSET, values) == "fleet_assets_equal_entry"

    def test_refuses_an_instrument_twice(self, app_cursor, books):
        entry = post(books["clerk"], (chart.FLEET, 50), (chart.FLEET_TO_CLEAR, -50))
        values = {**self.VALUES, "instrument": books["kept"].instrument_id, "entry": entry}
        assert "instrument_id" in refused(app_cursor, ASSET, values)


class TestDepreciation:
    @pytest.mark.parametrize(
        ("changes", "posted", "constraint"),
        [
            ({"accumulated": "600.01", "amount": "590.01"}, "590.01", "depreciation_within_basis"),
            ({"amount": "11.00", "accumulated": "21.00"}, "11.00", "depreciation_follows_schedule"),
            ({"amount": "20.00"}, "20.00", "depreciation_follows_schedule"),
            ({"age": 3, "accumulated": "30.00", "amount": "20.00"}, "20.00", "depreciation_follows_schedule"),
            ({"month": "2026-03-01"}, "10.00", "depreciation_once_per_month"),
            ({"month": "2026-02-01"}, "10.00", "depreciation_follows_schedule"),
            ({"month": "2026-04-02"}, "10.00", "depreciation_month_begins_on_the_first"),
            ({"amount": "-10.00", "accumulated": "0"}, "10.00", "depreciation_not_negative"),
            ({}, "9.99", "depreciation_equals_entry"),
        ],
    )
    @pytest.mark.parametrize("role", ["app_cursor", "owner_cursor"])
    def test_refuses(self, request, books, role, changes, posted, constraint):
        entry = post(books["clerk"], (chart.DEPRECIATION, Decimal(posted)), (chart.DEPRECIATED, -Decimal(posted)))
        values = {"asset": books["kept"].pk, "month": APRIL, "age": 2, "amount": "10.00", "accumulated": "20.00", "entry": entry}
        assert refused(request.getfixturevalue(role), ROW, {**values, **changes}) == constraint

    def test_lets_the_next_month_pass_and_no_second_on_its_entry(self, app_cursor, books):
        entry = post(books["clerk"], (chart.DEPRECIATION, 10), (chart.DEPRECIATED, -10))
        values = {"asset": books["kept"].pk, "month": APRIL, "age": 2, "amount": "10.00", "accumulated": "20.00", "entry": entry}
        app_cursor.execute(ROW, values)
        later = {"month": datetime.date(2026, 5, 1), "age": 3, "accumulated": "30.00"}
        assert refused(app_cursor, ROW, {**values, **later}) == "depreciation_equals_entry"

    def test_refuses_what_is_not_in_the_books_any_more(self, app_cursor, books):
        entry = post(books["clerk"], (chart.DEPRECIATION, 2), (chart.DEPRECIATED, -2))
        values = {"asset": books["sold"].pk, "month": APRIL, "age": 2, "amount": "2.00", "accumulated": "4.00", "entry": entry}
        assert refused(app_cursor, ROW, values) == "depreciation_of_what_is_there"


class TestMonths:
    def test_refuses_a_month_twice_or_before_a_done_one(self, app_cursor, books):
        assert refused(app_cursor, MONTH, ["2026-03-01", None, 0]) == "billing_depreciatedmonth_pkey"
        assert refused(app_cursor, MONTH, ["2026-02-01", None, 0]) == "months_depreciate_in_order"

    def test_refuses_another_amount_than_its_entry_depreciates(self, app_cursor, books):
        entry = post(books["clerk"], (chart.DEPRECIATION, 10), (chart.DEPRECIATED, -10))
        assert refused(app_cursor, MONTH, ["2026-04-01", entry, 10]) == "depreciated_month_equals_entry"

    def test_refuses_an_amount_without_an_entry(self, app_cursor, books):
        assert refused(app_cursor, MONTH, ["2026-04-01", None, 10]) == "depreciated_month_equals_entry"
        assert refused(app_cursor, MONTH, ["2026-04-02", None, 0]) == "depreciated_month_begins_on_the_first"


class TestRemovals:
    @pytest.mark.parametrize(
        ("postings", "depreciated"),
        [
            ([("1500", -599), ("1590", 10), ("5100", 589)], 10),
            ([("1500", -600), ("1590", 11), ("5100", 589)], 11),
            ([("1500", -600), ("1590", 11), ("5100", 589)], 10),
            ([("1500", -600), ("5100", 600)], 0),
        ],
    )
    def test_refuses_other_amounts_than_it_stood_there_with(self, app_cursor, books, postings, depreciated):
        entry = post(books["clerk"], *postings)
        assert refused(app_cursor, REMOVAL, [books["kept"].pk, depreciated, entry]) == "fleet_removal_takes_all_out"

    def test_lets_the_right_one_pass_once(self, app_cursor, books):
        entry = post(books["clerk"], ("1500", -600), ("1590", 10), ("5100", 590))
        app_cursor.execute(REMOVAL, [books["kept"].pk, 10, entry])
        again = post(books["clerk"], ("1500", -600), ("1590", 10), ("5100", 590), source="by hand again")
        assert refused(app_cursor, REMOVAL, [books["kept"].pk, 10, again]) == "fleet_asset_removed_once"

    def test_refuses_to_be_undone_by_another_entry(self, app_cursor, books):
        entry = post(books["clerk"], ("1500", 120), ("5100", -120))
        undo = "UPDATE billing_fleetremoval SET undo_entry_id = %s"
        assert refused(app_cursor, undo, [entry]) == "fleet_removal_undo_undoes_it"

    def test_refuses_to_be_undone_twice(self, app_cursor, books):
        operations.put_back_asset(
            instrument=books["sold"].instrument, on=APRIL, reason="Test", acting_user=books["clerk"], now=NOON
        )
        assert FleetRemoval.objects.get().undo_entry_id is not None
        with pytest.raises(psycopg.errors.RestrictViolation):
            app_cursor.execute("UPDATE billing_fleetremoval SET undo_entry_id = NULL")

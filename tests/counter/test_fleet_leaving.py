"""Selling, retiring, losing and finding an instrument outside an agreement: place, books and money change together, and back.

The worked figures: bought on January 10 for 600.00, over 60 months with nothing left at the end, so 10.00 a month (straight line,
IRS Publication 946, "Straight Line Method", by month). Sold in March it is depreciated for January and February: 580.00 is left.
"""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.db.models import Sum
from django.urls import reverse

from billing import charges, ledger, months, queries, verify
from billing.fleet import operations as books
from billing.fleet.operations import sales
from billing.models import Charge, FleetRemoval, FleetSale, Payment, Posting
from rentals.counter.fleet import operations
from rentals.families.models import Household
from rentals.inventory import operations as fleet
from rentals.inventory.queries import get_hold, get_whereabouts
from tests.agreements.factories import AgreementFactory
from tests.counter.leaving import NOW, TODAY, shop
from tests.factories import BookkeeperFactory, TechnicianFactory, UserFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import HoldFactory, InstrumentFactory, LocationFactory, WorkOrderFactory

D = Decimal
TERMS = books.Terms(life_months=60, salvage_share=D("0"), tax_class=7)
pytestmark = pytest.mark.django_db


@pytest.fixture
def manager():
    shop()
    return UserFactory(role="manager")


@pytest.fixture
def unit(manager):
    """A clarinet in the books over 600.00 since January 10."""
    made = InstrumentFactory(acquired_on=datetime.date(2026, 1, 10), cost=D("600.00"))
    books.book_instruments(terms=TERMS, acting_user=BookkeeperFactory(), now=NOW, today=TODAY)
    return made


def balances():
    rows = Posting.objects.order_by().values_list("account_id").annotate(Sum("amount"))
    return {account: amount for account, amount in rows if amount}


def clean():
    assert [(check.title, found) for check, found in verify.run_checks() if found] == []


def close_march():
    months.close_month(
        first_day=datetime.date(2026, 3, 1), acting_user=BookkeeperFactory(), now=NOW, today=datetime.date(2026, 4, 2)
    )


def who(person, **changes):
    return {"acting_user": person, "now": NOW, "today": TODAY, **changes}


def sell(unit, person, key=None, **changes):
    facts = {"price": D("300.00"), "shown": D("324.75"), "household": None, "buyer": "A retired band director", "method": "cash"}
    asked = operations.ToSell(unit, **facts | changes)
    return operations.sell_instrument(asked=asked, request_key=key or uuid.uuid4(), **who(person))


class TestSell:
    def test_proceeds_tax_and_book_value_stand_in_the_ledger_as_a_purchase_does(self, unit, manager):
        sold = sell(unit, manager)
        posted = balances()
        assert {code: posted.get(code) for code in ("1000", "4500", "2100", "5100", "1500", "1590", "1200")} == {
            "1000": D("324.75"),
            "4500": D("-300.00"),
            "2100": D("-24.75"),
            "5100": D("580.00"),
            "1500": None,
            "1590": None,
            "1200": None,
        }
        assert posted["4500"] + posted["5100"] == D("280.00"), "a loss of 280.00"
        assert (sold.sale.price, sold.sale.tax, sold.payment.amount) == (D("300.00"), D("24.75"), D("324.75"))
        here = get_whereabouts(unit)
        assert (here.place, here.custody.reason) == ("sold", "Sold at the counter")
        clean()

    def test_buyers_in_words_share_one_household_made_once(self, unit, manager):
        other = InstrumentFactory()
        first, second = sell(unit, manager), sell(other, manager, buyer="A neighbour")
        assert first.sale.household == second.sale.household
        assert Household.objects.count() == 1
        assert queries.sum_balance(first.sale.household_id) == 0

    def test_a_family_may_pay_later_and_owes_it_meanwhile(self, unit, manager):
        household = HouseholdFactory()
        sold = sell(unit, manager, household=household, buyer="", method="")
        assert sold.payment is None
        assert queries.sum_balance(household.pk) == D("324.75")
        clean()

    def test_sent_again_it_is_one_sale_and_one_payment(self, unit, manager):
        key = uuid.uuid4()
        first = sell(unit, manager, key)
        assert sell(unit, manager, key) == first
        assert (FleetSale.objects.count(), Payment.objects.count()) == (1, 1)

    def test_refuses_another_total_than_was_shown_and_changes_nothing(self, unit, manager):
        with pytest.raises(operations.SalePriceChangedError, match=r"\$324\.75 now"):
            sell(unit, manager, shown=D("300.00"))
        assert get_whereabouts(unit).place == "shelf"
        assert not Charge.objects.exists()

    def test_refuses_what_a_family_rents_and_what_is_sold_already(self, unit, manager):
        rented = AgreementFactory(unit=True).units.get().instrument
        with pytest.raises(fleet.InstrumentOnAgreementError):
            sell(rented, manager)
        sell(unit, manager)
        with pytest.raises(fleet.InstrumentNotThereError, match="already sold"):
            sell(unit, manager)

    def test_refuses_one_with_open_work(self, manager):
        with pytest.raises(fleet.WorkOrderStillOpenError):
            sell(WorkOrderFactory().instrument, manager)

    def test_ends_a_hold(self, manager):
        held = HoldFactory().instrument
        sell(held, manager)
        assert get_hold(held) is None

    def test_is_the_managers(self, unit):
        with pytest.raises(PermissionDenied):
            sell(unit, TechnicianFactory())

    def test_into_a_closed_month_it_is_posted_on_the_first_open_day(self, unit, manager):
        close_march()
        before = Posting.objects.count()
        sold = sell(unit, manager, household=HouseholdFactory(), buyer="", method="")
        assert sold.sale.charge.entry.entry_on == datetime.date(2026, 4, 1)
        posted = list(Posting.objects.order_by("pk").values_list("entry__entry_on", flat=True))[before:]
        assert {day for day in posted if day < datetime.date(2026, 4, 1)} == set()


class TestUndoSale:
    def test_brings_everything_back_by_reversing_entries(self, unit, manager):
        before = balances()
        sold = sell(unit, manager)
        operations.undo_sale(sale=sold.sale, location=LocationFactory(), because="Another was meant", **who(manager))
        after = balances()
        assert (after.get("4500"), after.get("2100"), after.get("5100")) == (None, None, None)
        assert after["1500"] == before["1500"] == D("600.00")
        assert queries.sum_balance(sold.sale.household_id) == D("-324.75"), "what was paid waits on the account"
        here = get_whereabouts(unit)
        assert (here.place, here.custody.reason) == ("shelf", "Sale undone: Another was meant")
        clean()

    def test_once_only_and_it_can_be_sold_again(self, unit, manager):
        sold = sell(unit, manager)
        undo = {"sale": sold.sale, "location": LocationFactory(), "because": "Another was meant", **who(manager)}
        operations.undo_sale(**undo)
        with pytest.raises(sales.SaleUndoneError):
            operations.undo_sale(**undo)
        sell(unit, manager)
        clean()

    def test_in_a_closed_month_it_is_refused_kindly(self, unit, manager):
        sold = sell(unit, manager)
        close_march()
        with pytest.raises(ledger.MonthClosedError, match="Use that day or a later one"), transaction.atomic():
            operations.undo_sale(sale=sold.sale, location=LocationFactory(), because="Another was meant", **who(manager))
        assert get_whereabouts(unit).place == "sold"

    def test_the_charge_alone_cannot_be_voided(self, unit, manager):
        sold = sell(unit, manager)
        with pytest.raises(charges.SaleNotUndoneError, match="on the instrument's page"):
            charges.void_charge(charge=sold.sale.charge, reason="Wrong", acting_user=manager, now=NOW)


class TestTheDatabase:
    def test_keeps_a_sale_as_it_was_made(self, unit, manager):
        sale = sell(unit, manager).sale
        with pytest.raises(IntegrityError, match="kept as it was made"), transaction.atomic():
            FleetSale.objects.filter(pk=sale.pk).update(price=D("1.00"))
        with pytest.raises(IntegrityError, match="undo it instead"), transaction.atomic():
            FleetSale.objects.filter(pk=sale.pk).delete()

    def test_refuses_a_sale_at_another_price_than_was_posted(self, unit, manager):
        sale = sell(unit, manager).sale
        wrong = {"instrument": InstrumentFactory(), "household": sale.household, "charge": sale.charge, "sold_on": TODAY}
        with pytest.raises(IntegrityError, match="not what its charge posts"), transaction.atomic():
            FleetSale.objects.create(price=D("299.00"), tax=sale.tax, made_at=NOW, made_by=manager, **wrong)


class TestRetireLoseAndFind:
    def test_retired_it_leaves_the_books_and_back_in_use_it_stands_in_them(self, unit, manager):
        operations.retire_instrument(instrument=unit, reason="The body is cracked", **who(manager))
        assert get_whereabouts(unit).place == "retired"
        assert balances()["5200"] == D("580.00")
        clean()
        back = {"instrument": unit, "location": LocationFactory(), "reason": "Retired by mistake"}
        operations.find_instrument(**back, **who(manager))
        assert get_whereabouts(unit).place == "shelf"
        assert "5200" not in balances()
        clean()

    def test_lost_it_stays_in_the_books_until_written_off(self, unit, manager):
        operations.lose_instrument(instrument=unit, reason="Not in the crate", write_off=False, **who(TechnicianFactory()))
        assert not FleetRemoval.objects.exists()
        operations.write_off_lost(instrument=unit, **who(manager))
        with pytest.raises(operations.NotInBooksError):
            operations.write_off_lost(instrument=unit, **who(manager))
        assert balances()["5200"] == D("580.00")
        found = {"instrument": unit, "location": LocationFactory(), "reason": "Behind the risers"}
        operations.find_instrument(**found, **who(TechnicianFactory()))
        assert "5200" not in balances()
        clean()

    def test_a_technician_writes_nothing_off_and_takes_nothing_out_of_retirement(self, unit, manager):
        with pytest.raises(PermissionDenied), transaction.atomic():
            operations.lose_instrument(instrument=unit, reason="Gone", write_off=True, **who(TechnicianFactory()))
        operations.retire_instrument(instrument=unit, reason="Cracked", **who(manager))
        back = {"instrument": unit, "location": LocationFactory(), "reason": "It plays"}
        with pytest.raises(PermissionDenied):
            operations.find_instrument(**back, **who(TechnicianFactory()))

    def test_what_is_not_lost_is_neither_found_nor_written_off(self, unit, manager):
        with pytest.raises(operations.NotLostError):
            operations.write_off_lost(instrument=unit, **who(manager))
        with pytest.raises(fleet.InstrumentNotThereError):
            operations.find_instrument(instrument=unit, location=LocationFactory(), reason="Here", **who(manager))

    def test_a_rented_one_goes_the_agreements_way(self, manager):
        rented = AgreementFactory(unit=True).units.get().instrument
        for act in (operations.retire_instrument, operations.lose_instrument):
            more = {"write_off": False} if act is operations.lose_instrument else {}
            with pytest.raises(fleet.InstrumentOnAgreementError):
                act(instrument=rented, reason="Gone", **more, **who(manager))


class TestScreens:
    def test_sells_in_two_steps_and_shows_the_tax_before(self, client_as, unit):
        client = client_as("manager")
        url = reverse("instrument_sell", args=[unit.pk])
        data = {"price": "300", "buyer": "A neighbour", "method": "cash", "household": "", "cheque_number": ""}
        data["request_key"] = str(client.get(url).context["form"]["request_key"].value())
        shown = client.post(url, data)
        assert (shown.status_code, shown.context["total"]) == (200, D("324.75"))
        assert b"Sell it for $324.75" in shown.content
        assert not FleetSale.objects.exists()
        done = client.post(url, {**data, "shown": "324.75"})
        assert done.status_code == 302
        page = client.get(reverse("instrument", args=[unit.pk]))
        undo = reverse("sale_undo", args=[FleetSale.objects.get().pk])
        assert undo in page.content.decode()
        assert client.post(undo, {"location": LocationFactory().pk, "reason": "Another was meant"}).status_code == 302
        assert get_whereabouts(unit).place == "shelf"

    @pytest.mark.parametrize(
        ("changes", "field", "words"),
        [
            ({"price": "0"}, "price", "retire it and say to whom"),
            ({"price": ""}, "price", "Write what it is sold for"),
            ({"household": "", "buyer": ""}, "household", "Say who buys it"),
            ({"household": "H-99999", "buyer": ""}, "household", "No family has the number H-99999"),
            ({"method": "later"}, "method", "Take cash or a check"),
            ({"method": "cheque"}, "cheque_number", "top right of the check"),
        ],
    )
    def test_says_what_is_missing_beside_its_field(self, client_as, unit, changes, field, words):
        data = {"price": "300", "buyer": "A neighbour", "method": "cash", "request_key": str(uuid.uuid4())}
        answer = client_as("manager").post(reverse("instrument_sell", args=[unit.pk]), data | changes)
        assert answer.status_code == 422
        assert words in str(answer.context["form"].errors[field])

    def test_retires_loses_and_finds_by_its_screens(self, client_as, unit):
        client = client_as("manager")
        assert client.post(reverse("instrument_retire", args=[unit.pk]), {"reason": ""}).status_code == 422
        done = client.post(reverse("instrument_retire", args=[unit.pk]), {"reason": "Cracked"}, follow=True)
        assert "retired and out of the books" in done.content.decode()
        back = {"location": LocationFactory().pk, "reason": "By mistake"}
        assert client.post(reverse("instrument_find", args=[unit.pk]), back).status_code == 302
        lost = client.post(reverse("instrument_lose", args=[unit.pk]), {"reason": "Not in the crate"}, follow=True)
        assert "is among the lost." in lost.content.decode()
        off = client.post(reverse("instrument_write_off", args=[unit.pk]), follow=True)
        assert "is out of the books" in off.content.decode()
        assert client.get(reverse("instrument_find", args=[unit.pk])).status_code == 200

    def test_a_technician_is_not_asked_about_the_books(self, client_as, unit):
        page = client_as("technician").get(reverse("instrument_lose", args=[unit.pk]))
        assert "write_off" not in page.context["form"].fields
        assert client_as("technician").get(reverse("instrument_retire", args=[unit.pk])).status_code == 403

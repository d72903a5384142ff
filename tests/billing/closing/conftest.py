"""Books of the first months of 2026 with one of everything that a report has to tell apart."""

import copy
import datetime
from decimal import Decimal

import pytest

from billing import charges, credits, deposits, payments, refunds
from billing.closing.span import Month
from billing.fleet import operations as fleet
from rentals.agreements import exemptions
from rentals.agreements.models import Agreement
from tests.billing.factories import AgreementFactory, HouseholdFactory, TaxAreaFactory
from tests.billing.fleet.conftest import TERMS, buy
from tests.factories import BookkeeperFactory
from tests.kept import commits, kept

D = Decimal
JANUARY, FEBRUARY, MARCH, APRIL = (Month(datetime.date(2026, month, 1)) for month in (1, 2, 3, 4))


def at(month, day):
    """Noon in the office on a day of 2026, and the day."""
    return datetime.datetime(2026, month, day, 18, tzinfo=datetime.UTC), datetime.date(2026, month, day)


class Books:
    """What happened, with a name for each thing a test looks at."""

    def __init__(self, clerk):
        self.clerk = clerk
        self.first, self.second = AgreementFactory(), AgreementFactory()
        self.exempt = AgreementFactory(tax_area=TaxAreaFactory(code="other-county", name="Other County"))
        certificate = exemptions.Certificate("E-1", None, datetime.date(2026, 1, 1), datetime.date(2027, 1, 1))
        exemptions.record_exemption(household=self.exempt.household, certificate=certificate, acting_user=clerk, now=at(1, 2)[0])
        self.ahead = HouseholdFactory(name="Ahead")

    def bill(self, agreement, period):
        """Bill a period on its first day."""
        day = {0: at(1, 31), 1: at(2, 28), 2: at(3, 31)}[period]
        return charges.charge_period(agreement=agreement, period=period, acting_user=self.clerk, now=day[0])

    def pay(self, household, amount, when, method="cash", **more):
        """Take a payment."""
        now, day = when
        return payments.record_payment(
            household=household, method=method, amount=D(amount), received_on=day, acting_user=self.clerk, now=now, **more
        )

    def happen(self):
        """January: three bills. February: payments, a return, a credit note, a void. March: money ahead, some of it back."""
        for agreement in (self.first, self.second, self.exempt):
            self.bill(agreement, 0)
        cash = self.pay(self.first.household, "26.65", at(2, 3))
        self.check = self.pay(self.second.household, "26.65", at(2, 4), method="cheque", cheque_number="204")
        self.deposit = deposits.make_deposit(
            payments=[cash, self.check], deposited_on=at(2, 5)[1], acting_user=self.clerk, now=at(2, 5)[0]
        )
        payments.return_payment(
            payment=self.check, reason="No funds", returned_on=at(2, 10)[1], acting_user=self.clerk, now=at(2, 10)[0]
        )
        credits.write_credit_note(
            household=self.second.household, agreement=self.second, kind="adjustment", amount=D("6.65"), reason="Late delivery",
            on=at(2, 12)[1], acting_user=self.clerk, now=at(2, 12)[0],
        )  # fmt: skip
        fee = charges.charge_fee(
            household=self.first.household,
            on=at(2, 13)[1],
            description="Fee",
            amount=D("5.00"),
            acting_user=self.clerk,
            now=at(2, 13)[0],
        )
        charges.void_charge(charge=fee, reason="Never mind", acting_user=self.clerk, now=at(2, 14)[0])
        self.bill(self.first, 1)
        self.pay(self.ahead, "40.00", at(3, 2))
        given = refunds.RefundGiven("cash", D("15.00"), at(3, 3)[1], "Overpaid")
        self.refund = refunds.make_refund(household=self.ahead, given=given, acting_user=self.clerk, now=at(3, 3)[0])
        self.own_some_instruments()

    def own_some_instruments(self):
        """Two bought in February, one of them lost in March."""
        bought = at(2, 10)
        kept, lost = (buy(tag, cost, on=bought[1]) for tag, cost in (("K-1", "600.00"), ("K-2", "120.00")))
        fleet.book_instruments(terms=TERMS, acting_user=self.clerk, now=bought[0], today=bought[1])
        fleet.depreciate_through(month=FEBRUARY.first_day, acting_user=self.clerk, now=at(3, 1)[0], today=at(3, 1)[1])
        fleet.remove_asset(instrument=lost, on=at(3, 9)[1], how="lost", acting_user=self.clerk, now=at(3, 9)[0])
        self.kept = kept


@pytest.fixture(scope="class")
def build():
    """How these books come about; a module that needs more in them says so by a fixture of its own."""

    def happened(clerk):
        made = Books(clerk)
        made.happen()
        assert Agreement.objects.count() == 3
        return made

    return happened


@pytest.fixture(scope="class")
def kept_books(request, django_db_setup, django_db_blocker, build):
    """The books, made once for the tests of a class; None where each test commits and so must make its own."""
    if commits(request.node):
        yield None
        return
    with kept(django_db_blocker):
        yield build(BookkeeperFactory())


@pytest.fixture
def books(kept_books, build, db):
    return copy.deepcopy(kept_books) or build(BookkeeperFactory())


@pytest.fixture
def bookkeeper(request, db):
    """Who keeps these books, where a test has any."""
    return request.getfixturevalue("books").clerk if "books" in request.fixturenames else BookkeeperFactory()

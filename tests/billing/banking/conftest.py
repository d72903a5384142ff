"""What the tests of the bank's side share."""

import datetime
from decimal import Decimal

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from billing import deposits, payments
from billing.banking import operations
from billing.banking.operations import AccountAnswer
from billing.models import BankLine
from tests.billing.banking.statements import line, ofx1
from tests.billing.factories import DAY, NOON, HouseholdFactory
from tests.factories import BookkeeperFactory


@pytest.fixture
def bookkeeper(db):
    return BookkeeperFactory()


@pytest.fixture
def pay(bookkeeper):
    """Take a payment: `pay("30.00", "cheque", household=…)`."""

    def take(amount, method="cash", household=None, on=DAY):
        return payments.record_payment(
            household=household or HouseholdFactory(),
            method=method,
            cheque_number="1041" if method == "cheque" else "",
            amount=Decimal(amount),
            received_on=on,
            acting_user=bookkeeper,
            now=NOON,
        )

    return take


@pytest.fixture
def deposit(pay, bookkeeper):
    """Deposit one payment of an amount, on March 10."""

    def make(amount, on=DAY, **options):
        return deposits.make_deposit(payments=[pay(amount, on=on, **options)], deposited_on=on, acting_user=bookkeeper, now=NOON)

    return make


@pytest.fixture
def take_in(bookkeeper):
    """Take in a file with these transactions: `take_in(line("A1", "30.00"), balance="30.00")` gives its lines."""

    def take(*transactions, name="march.ofx", account="1000000001", same=(), **options):
        content = ofx1(*transactions, account=account, **options)
        file = operations.read_file(content=content, file_name=name, acting_user=bookkeeper, now=NOON)
        answers = {each["fingerprints"][0]: AccountAnswer(name=f"Checking {account[-4:]}") for each in file.contents["accounts"]}
        operations.take_in(file=file, answers=answers, same_lines=same, acting_user=bookkeeper, now=NOON)
        return list(BankLine.objects.order_by("id"))

    return take


@pytest.fixture
def one_line(take_in):
    """Take in one line: `one_line("30.00", name="DEPOSIT")`."""

    def take(amount, on=DAY + datetime.timedelta(days=1), reference="A1", **options):
        return next(
            x for x in take_in(line(reference, amount, on, **options), name=f"{reference}.ofx") if x.bank_reference == reference
        )

    return take


@pytest.fixture
def desk(live_server, page, context, bookkeeper):
    """Open a page of the office as the bookkeeper: `desk("bank")`."""
    client = Client()
    client.force_login(bookkeeper)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}])

    def go(name, *args):
        page.goto(live_server.url + reverse(name, args=args))
        return page

    return go

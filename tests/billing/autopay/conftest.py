"""What the tests of autopay share: an office whose bank takes its files, and a family that authorised debits."""

import datetime
from decimal import Decimal

import pytest

from billing import charges
from billing.autopay import authorising
from billing.autopay.authorising import Authorised
from billing.models import AutopayNotice, AutopaySetup
from rentals.documents.models import OutboxMessage
from tests.billing.factories import AgreementFactory, GuardianFactory
from tests.factories import BookkeeperFactory

CANARY = "7391846205518"
ROUTING = "076401251"
TODAY = datetime.date(2026, 3, 10)
NOW = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)
DEBIT_ON = datetime.date(2026, 3, 12)


def set_up(**changes):
    """What the bank gave the shop."""
    given = {
        "bank_name": "EXAMPLE BANK ONE",
        "bank_routing": "056005075",
        "origin": "1990000001",
        "company_name": "EXAMPLE RENTAL",
    }
    return AutopaySetup.objects.create(**given | {"company_id": "1990000001", "approval_limit": Decimal("1000.00")} | changes)


def authorised(household=None, *, number=CANARY, **changes):
    """A family with 51.65 due: January's and February's month, and an authorisation by its guardian."""
    if household is None:
        agreement = AgreementFactory()
        household = agreement.household
        charges.charge_period(agreement=agreement, period=0, acting_user=BookkeeperFactory(), now=NOW)
    guardian = household.guardians.first() or GuardianFactory(household=household)
    given = {
        "household": household,
        "guardian": guardian,
        "account_type": "checking",
        "routing_number": ROUTING,
        "account_number": number,
        "authorised_on": TODAY,
    }
    return authorising.authorise(given=Authorised(**given | changes), acting_user=BookkeeperFactory(), now=NOW)


def told(authorisation, amount="26.65", *, debit_on=DEBIT_ON, days=10):
    """A notice given ten days before; the letter itself is another test's."""
    message = OutboxMessage.objects.filter(household=authorisation.household).first()
    copy = OutboxMessage(household=authorisation.household, key=f"told/{authorisation.pk}/{debit_on}", kind="autopay_notice")
    copy.about, copy.channel, copy.to_name, copy.to_address = message.about, "letter", message.to_name, message.to_address
    copy.subject, copy.state, copy.queued_at, copy.document = "Told", "to_print", NOW, message.document
    copy.save()
    return AutopayNotice.objects.create(
        household=authorisation.household,
        authorisation=authorisation,
        amount=Decimal(amount),
        debit_on=debit_on,
        given_on=debit_on - datetime.timedelta(days=days),
        message=copy,
    )


@pytest.fixture
def setup(db):
    """The bank's details."""
    return set_up()


@pytest.fixture
def authorisation(setup):
    """A family that authorised, with 26.65 due since January 31."""
    return authorised()

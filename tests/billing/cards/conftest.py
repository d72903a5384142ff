"""What the tests of card payments share: a processor of the real library before a server of our own."""

import pytest

from billing.cards import attempts, processors
from billing.cards.processors.stripe_pages import StripePages
from tests.agreements.factories import OfficeFactory
from tests.billing.cards import stripe_server
from tests.billing.factories import GuardianFactory, HouseholdFactory
from tests.factories import BookkeeperFactory


@pytest.fixture
def server():
    with stripe_server.serving() as started:
        yield started


@pytest.fixture
def pages(server):
    """The adapter, asking that server; it waits half a second for an answer."""
    return StripePages(key=stripe_server.KEY, webhook_secret=stripe_server.SECRET, api=server.base, seconds=0.5)


@pytest.fixture
def cards(pages, monkeypatch, settings):
    """The office takes cards by that adapter."""
    settings.CARD_PROCESSOR = "stripe"
    monkeypatch.setattr(processors, "by_code", lambda code: pages)
    return pages


@pytest.fixture
def clerk(db):
    OfficeFactory()
    return BookkeeperFactory()


@pytest.fixture
def family(db):
    """A household with a mail address."""
    return GuardianFactory(household=HouseholdFactory(), is_primary=True, email="jo@example.com").household


@pytest.fixture
def begin(clerk, family):
    """`begin("30.00", key)` writes an attempt down."""
    from decimal import Decimal

    from tests.billing.factories import NOON

    def make(amount="30.00", key=None, household=None, now=NOON):
        asked = attempts.CardAsked(household or family, Decimal(amount), "https://office.example/cards/")
        return attempts.begin_attempt(asked=asked, key=key or attempts.new_key(), acting_user=clerk, now=now)

    return make

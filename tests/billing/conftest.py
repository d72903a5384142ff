"""What the tests of the books share."""

import pytest

from tests.billing.factories import AgreementFactory
from tests.factories import BookkeeperFactory


@pytest.fixture
def bookkeeper(db):
    return BookkeeperFactory()


@pytest.fixture
def agreement(db):
    """20.00 rent with 1.65 tax and 5.00 protection a month, from January 31, 2026."""
    return AgreementFactory()

"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime
import uuid
from decimal import Decimal

from rentals.counter.fleet import operations
from tests.agreements.factories import OfficeFactory, TaxAreaFactory
from tests.factories import UserFactory
from tests.inventory.factories import InstrumentFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def sale_id() -> int:
    """An instrument that was sold to a buyer in words."""
    OfficeFactory()
    TaxAreaFactory()
    asked = operations.ToSell(InstrumentFactory(), Decimal("300.00"), Decimal("324.75"), None, "A neighbour", "cash")
    manager = UserFactory(role="manager")
    sold = operations.sell_instrument(asked=asked, request_key=uuid.uuid4(), acting_user=manager, now=NOW, today=NOW.date())
    return sold.sale.pk


EXAMPLES = {"sale_id": sale_id}

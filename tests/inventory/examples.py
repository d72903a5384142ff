"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime

from rentals.inventory.operations import imports as operations
from tests.factories import TechnicianFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, ProductFactory, WorkOrderFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def draft_id() -> int:
    """A spreadsheet that was read and not yet taken in."""
    content = b"Tag,Serial\nFL-1,S1\n"
    return operations.keep_draft(file_name="fleet.csv", content=content, acting_user=TechnicianFactory(), now=NOW).pk


EXAMPLES = {
    "instrument_id": lambda: InstrumentFactory().pk,
    "order_id": lambda: WorkOrderFactory().pk,
    "int:draft_id": draft_id,
    "tag": lambda: InstrumentFactory().asset_tag,
    "sku": lambda: ProductFactory().sku,
    "catalogue_change.item_id": lambda: CatalogueItemFactory().pk,
}

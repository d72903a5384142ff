"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime
import uuid
from decimal import Decimal
from uuid import uuid4

from rentals.inventory.models import LabelLayout, LabelPrinter, Photo, TagSeries
from rentals.inventory.operations import batches, deliveries, labels, photos
from rentals.inventory.operations import imports as operations
from tests.factories import TechnicianFactory
from tests.inventory.count_cases import opened
from tests.inventory.factories import (
    CatalogueItemFactory,
    InstrumentFactory,
    LocationFactory,
    MoveBatchFactory,
    ProductFactory,
    RepairPartFactory,
    WorkLineFactory,
    WorkOrderFactory,
)
from tests.inventory.picture_files import picture

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def draft_id() -> int:
    """A spreadsheet that was read and not yet taken in."""
    content = b"Tag,Serial\nFL-1,S1\n"
    return operations.keep_draft(file_name="fleet.csv", content=content, acting_user=TechnicianFactory(), now=NOW).pk


def photo_id() -> int:
    """A picture that is shown."""
    return photos.add_photo(
        instrument=InstrumentFactory(), upload=picture(), caption="Dent", acting_user=TechnicianFactory(), now=NOW
    ).pk


def removed_photo_id() -> int:
    """A picture that was taken away."""
    photo = Photo.objects.get(pk=photo_id())
    return photos.remove_photo(photo=photo, because="It shows nothing useful", acting_user=TechnicianFactory(), now=NOW).pk


def layout() -> LabelLayout:
    """The layout of thirty labels, of the reference data."""
    return LabelLayout.objects.get(columns=3, rows=10)


def printer_id() -> int:
    """A printer for labels."""
    return LabelPrinter.objects.create(name=f"Printer {LabelPrinter.objects.count()}", layout=layout()).pk


def print_id() -> int:
    """A label that was printed."""
    return labels.print_labels(
        request_key=uuid.uuid4(), instruments=[InstrumentFactory().pk], layout=layout(), printer=None, starts_at=1,
        acting_user=TechnicianFactory(), now=NOW,
    ).pk  # fmt: skip


def move_scan_id() -> int:
    """An instrument that a round brought back from the bench."""
    unit = InstrumentFactory(place="bench")
    scan = batches.scan_into(
        batch=MoveBatchFactory(), code=unit.asset_tag, client_id=uuid4(), acting_user=TechnicianFactory(), now=NOW
    )
    return scan.pk


def delivery_id() -> int:
    """A delivery of one instrument."""
    line = deliveries.DeliveryLine(CatalogueItemFactory(), 1, "new", Decimal(300), ("S1",))
    facts = deliveries.DeliveryFacts("Northgate Wholesale", "PO-7731", LocationFactory(), NOW.date())
    made = deliveries.receive_delivery(
        facts=facts, lines=[line], request_key=uuid.uuid4(), acting_user=TechnicianFactory(), now=NOW
    )
    return made.pk


EXAMPLES = {
    "layout_id": lambda: layout().pk,
    "printer_id": printer_id,
    "print_id": print_id,
    "photo_id": photo_id,
    "photo_put_back.photo_id": removed_photo_id,
    "photo_erase.photo_id": removed_photo_id,
    "instrument_id": lambda: InstrumentFactory().pk,
    "order_id": lambda: WorkOrderFactory().pk,
    "int:draft_id": draft_id,
    "count_id": lambda: opened().pk,
    "batch_id": lambda: MoveBatchFactory().pk,
    "move_scan_undo.scan_id": move_scan_id,
    "custody_id": lambda: InstrumentFactory().custodies.get().pk,
    "delivery_id": delivery_id,
    "series_id": lambda: TagSeries.objects.get(kind="flute").pk,
    "kind_code": lambda: "violin",
    "tag": lambda: InstrumentFactory().asset_tag,
    "sku": lambda: ProductFactory().sku,
    "repair_part_change.sku": lambda: RepairPartFactory().pk,
    "repair_part_arrived.sku": lambda: RepairPartFactory().pk,
    "work_order_line_off.line_id": lambda: WorkLineFactory().pk,
    "catalogue_change.item_id": lambda: CatalogueItemFactory().pk,
}

"""The demo's labels: two printers, nearly every instrument labelled when the office opened, a dozen that still wait."""

import datetime
import uuid

from rentals.counter.demo.shop import Shop
from rentals.inventory.models import Instrument, LabelLayout
from rentals.inventory.operations import labels
from rentals.staff.models import Role

WAITING = 12


def label_fleet(shop: Shop, *, now: datetime.datetime) -> None:
    """Set up the printers, and note the labels of all but the last dozen tags as printed."""
    technician = shop.people[Role.TECHNICIAN.value]
    sheets = LabelLayout.objects.order_by("-columns", "-rows")
    office = labels.add_printer(
        facts={
            "name": "Office printer",
            "location": shop.locations[0],
            "layout": sheets[0],
            "offset_x": "-0.8",
            "offset_y": "1.2",
        },
        acting_user=technician,
    )
    roll = sheets.filter(columns=1, rows=1).first()
    labels.add_printer(
        facts={"name": "Label printer at the bench", "location": shop.locations[-1], "layout": roll, "dots_per_inch": 203},
        acting_user=technician,
    )
    ids = list(Instrument.objects.order_by("asset_tag").values_list("pk", flat=True))[:-WAITING]
    for begin in range(0, len(ids), labels.MOST_LABELS):
        labels.print_labels(
            request_key=uuid.uuid4(),
            instruments=ids[begin : begin + labels.MOST_LABELS],
            layout=sheets[0],
            printer=office,
            starts_at=1,
            acting_user=technician,
            now=now,
        )

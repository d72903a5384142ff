"""Pictures of the demo's instruments: drawn, since there is nothing to photograph. A tube with its keys, and where it is hurt."""

import datetime
import io
from typing import Any

from rentals.counter.demo.shop import Shop
from rentals.inventory.models import Instrument, WorkOrder
from rentals.inventory.operations import photos
from rentals.staff.models import Role

WIDTH, HEIGHT = 800, 600
TAKEN = [("As it came in", "#5a4632"), ("Where it is hurt", "#6b5a3a"), ("After the work", "#4a5560")]


def take_pictures(shop: Shop, *, now: datetime.datetime) -> None:
    """Keep two pictures with each of three instruments that wait at the bench, and one with another on the shelf."""
    technician = shop.people[Role.TECHNICIAN.value]
    orders = WorkOrder.objects.filter(closed_at=None).select_related("instrument").order_by("pk")[:3]
    for order in orders:
        for place, (caption, colour) in enumerate(TAKEN[:2]):
            photos.add_photo(
                instrument=order.instrument,
                work_order=order,
                upload=_draw(colour, hurt=place == 1, turned=order.pk % 5),
                caption=caption,
                acting_user=technician,
                now=now - datetime.timedelta(hours=3 - place),
            )
    waiting = Instrument.objects.exclude(work_orders__closed_at=None, work_orders__isnull=False).order_by("asset_tag").first()
    if waiting:
        caption, colour = TAKEN[2]
        photos.add_photo(
            instrument=waiting, upload=_draw(colour, hurt=False, turned=2), caption=caption, acting_user=technician, now=now
        )


def _draw(colour: str, *, hurt: bool, turned: int) -> bytes:
    """Draw one, as a PNG."""
    from PIL import Image, ImageDraw

    made = Image.new("RGB", (WIDTH, HEIGHT), "#d8d3c6")
    pen: Any = ImageDraw.Draw(made)
    pen.rectangle((0, 430, WIDTH, HEIGHT), fill="#b9ad97")
    pen.rounded_rectangle((60, 250, 690, 320), 30, fill=colour, outline="#22201c", width=4)
    pen.polygon([(670, 250), (750, 205), (750, 365), (670, 320)], fill=colour, outline="#22201c")
    for number in range(7):
        left = 150 + number * 70 + turned * 3
        pen.ellipse((left, 262, left + 34, 306), fill="#c9ccd1", outline="#55585c", width=3)
    if hurt:
        pen.arc((392, 226, 452, 276), 20, 160, fill="#9a281e", width=7)
        pen.ellipse((360, 190, 484, 314), outline="#9a281e", width=5)
    out = io.BytesIO()
    made.save(out, "PNG")
    return out.getvalue()

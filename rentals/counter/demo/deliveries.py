"""The demo's deliveries: an order that came in two goes, what used ones cost, and what missing parts cost."""

import datetime
from decimal import Decimal
from uuid import UUID

from rentals.counter.demo.history import Story
from rentals.inventory.models import CatalogueItem, KindPart
from rentals.inventory.operations import deliveries
from rentals.runtime.money import cents
from rentals.staff.models import Role

ORDER = [("clarinet", 6), ("trumpet", 4)]
PART_PRICES = {"case": 89, "mouthpiece": 32, "ligature": 11, "cap": 6, "bow": 45, "neck": 75, "neck-strap": 12, "head-joint": 120}
"""Invented, like every price here."""


def price_catalogue() -> None:
    """Sell used ones at seven tenths of the new price, and price the parts families lose most."""
    for item in CatalogueItem.objects.filter(tier="beginner"):
        CatalogueItem.objects.filter(pk=item.pk).update(used_price=cents(item.purchase_price.amount * Decimal("0.7")))
    for code, price in PART_PRICES.items():
        KindPart.objects.filter(code=code).update(replacement_price=price)


def receive_order(story: Story) -> None:
    """Receive the clarinets of an order last week, and its trumpets today."""
    price_catalogue()
    technician = story.shop.people[Role.TECHNICIAN.value]
    for place, (kind, pieces) in enumerate(ORDER):
        item = CatalogueItem.objects.filter(kind=kind, tier="beginner").select_related("kind").order_by("pk")[0]
        serials = tuple(f"{item.maker[:2].upper()}26{place}{number:04d}" for number in range(101, 101 + pieces))
        cost = Decimal(item.purchase_price.amount) * Decimal("0.5")
        deliveries.receive_delivery(
            facts=deliveries.DeliveryFacts(
                supplier="Northgate Wholesale",
                order_number="PO-26-0418",
                location=story.shop.locations[0],
                acquired_on=story.today,
                note="" if place else "The trumpets of this order are still to come.",
            ),
            lines=[deliveries.DeliveryLine(item, pieces, "new", cost, serials)],
            request_key=UUID(int=0x26_0418 + place),
            acting_user=technician,
            now=story.now - datetime.timedelta(days=6 * (1 - place), hours=1),
        )

"""Deliveries received, and the series that tags are taken from."""

from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.db.models import Count, Min, Q, QuerySet, Sum

from rentals.inventory.models import CatalogueItem, Delivery, Instrument, TagSeries


def find_tag_series(kind_code: str) -> TagSeries | None:
    """Return the series that tags of a kind come from: its own, else the one for the rest; None without either."""
    return TagSeries.objects.filter(Q(kind=kind_code) | Q(kind=None)).order_by("kind__order").first()


def list_tag_series() -> QuerySet[TagSeries]:
    """Return every series with its kind, in the order of a score, the one for the rest last."""
    return TagSeries.objects.select_related("kind").order_by("kind__order", "prefix")


def list_deliveries(text: str = "", location: str = "") -> QuerySet[Delivery]:
    """Return deliveries, newest first, with `pieces` and `cost`; narrowed by supplier, order number, tag or serial number."""
    found: Any = Delivery.objects.select_related("location", "received_by")
    for word in text.split()[:5]:
        told = Q(supplier__icontains=word) | Q(order_number__icontains=word) | Q(note__icontains=word)
        code = word.upper()
        pieces = Instrument.objects.filter(Q(asset_tag=code) | Q(serial_number=code), delivery__isnull=False)
        found = found.filter(told | Q(pk__in=pieces.values("delivery")))
    if location:
        found = found.filter(location=location)
    counted: QuerySet[Delivery] = found.annotate(pieces=Count("instruments"), cost=Sum("instruments__cost"))
    return counted.order_by("-received_at", "-pk")


@dataclass(frozen=True)
class DeliveryPart:
    """The instruments of one delivery that are the same model, condition and cost."""

    item: CatalogueItem
    grade: str
    cost: Decimal
    instruments: list[Instrument]

    @property
    def total(self) -> Decimal:
        """What they cost together."""
        return self.cost * len(self.instruments)


def list_delivery_parts(delivery: Delivery) -> list[DeliveryPart]:
    """Return what came in a delivery, as its instruments say today, in the order they were received."""
    units = Instrument.objects.filter(delivery=delivery).select_related("item__kind").order_by("pk")
    parts: list[DeliveryPart] = []
    for (item, grade, cost), same in groupby(units, key=lambda unit: (unit.item, unit.get_grade_display(), unit.cost.amount)):
        parts.append(DeliveryPart(item, grade, cost, list(same)))
    return parts


def list_same_order(delivery: Delivery) -> QuerySet[Delivery]:
    """Return the other deliveries of the same order, oldest first; none without an order number."""
    if not delivery.order_number:
        return Delivery.objects.none()
    same = Delivery.objects.filter(order_number__iexact=delivery.order_number, supplier__iexact=delivery.supplier)
    return (
        same.exclude(pk=delivery.pk)
        .annotate(pieces=Count("instruments"), first_tag=Min("instruments__asset_tag"))
        .order_by("received_at")
    )

"""What comes from a supplier, and the series that new asset tags are taken from."""

import pghistory
from django.db import models
from django.db.models import Q

from rentals.inventory.models.catalogue import InstrumentKind, Location


@pghistory.track()
class TagSeries(models.Model):
    """Asset tags in a row, FL-1042, FL-1043: for one kind, or for every kind that has no series of its own.

    The row is locked while numbers are taken, so that two people who receive at once never get the same.
    """

    prefix = models.CharField(max_length=8, unique=True)
    width = models.PositiveSmallIntegerField(default=4)
    next_number = models.PositiveIntegerField(default=1)
    kind = models.ForeignKey(InstrumentKind, on_delete=models.PROTECT, null=True, blank=True, related_name="tag_series")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        verbose_name_plural = "tag series"
        constraints = [
            models.CheckConstraint(condition=Q(prefix__regex=r"^[A-Z0-9][A-Z0-9-]{0,7}$"), name="tag_series_prefix_form"),
            models.CheckConstraint(
                condition=Q(width__gte=3, width__lte=8, next_number__gte=1, next_number__lte=99_999_999),
                name="tag_series_number_fits",
            ),
            models.UniqueConstraint(fields=["kind"], nulls_distinct=False, name="tag_series_one_for_the_rest"),
        ]
        ordering = ["kind__order", "prefix"]

    def __str__(self) -> str:
        return self.prefix


@pghistory.track()
class Delivery(models.Model):
    """A delivery received: what came from a supplier in one go. An order may come in several."""

    supplier = models.CharField(max_length=80, blank=True)
    order_number = models.CharField(max_length=40, blank=True, help_text="The number of the order it belongs to.")
    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="deliveries")
    received_at = models.DateTimeField()
    received_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        verbose_name_plural = "deliveries"
        indexes = [models.Index(fields=["-received_at"], name="delivery_newest")]

    def __str__(self) -> str:
        return " ".join(part for part in (self.supplier, self.order_number) if part) or f"Delivery {self.pk}"

"""The work done on an instrument at the bench."""

import pghistory
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.instruments import Instrument


@pghistory.track()
class WorkOrder(models.Model):
    """A piece of work on an instrument: a repair or the annual cleaning."""

    class Kind(models.TextChoices):
        REPAIR = "repair", "Repair"
        CLEANING = "cleaning", "Annual cleaning"

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="work_orders")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    problem = models.TextField(blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    work_done = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(closed_at=None), name="work_order_one_open"),
            models.CheckConstraint(
                condition=Q(closed_at=None, closed_by=None) | Q(closed_at__gte=F("opened_at"), closed_by__isnull=False),
                name="work_order_closed_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.pk}"

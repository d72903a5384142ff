"""Instruments put aside: on the shelf, and yet not to be given to whoever asks next."""

import pghistory
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.instruments import Instrument


@pghistory.track()
class Hold(models.Model):
    """An instrument put aside by a person, for a reason; open while `ended_at` is null. A held one goes onto no agreement."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="holds")
    reason = models.CharField(max_length=160)
    held_until = models.DateField(null=True, help_text="The day on which it is free again by itself; null until released.")
    began_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(ended_at=None), name="hold_one_open"),
            models.CheckConstraint(condition=~Q(reason=""), name="hold_says_why"),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None) | Q(ended_at__gte=F("began_at"), ended_by__isnull=False),
                name="hold_ended_by_someone",
            ),
        ]
        indexes = [models.Index(fields=["held_until"], condition=Q(ended_at=None), name="hold_open_until")]

    def __str__(self) -> str:
        return f"{self.instrument_id}: {self.reason}"

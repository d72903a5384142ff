"""What belongs to a kind of instrument: the parts that come back with it, and what the bench does to it."""

from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import Q

from rentals.inventory.models.catalogue import InstrumentKind
from rentals.runtime.money import price_field


@pghistory.track()
class KindPart(models.Model):
    """A part that goes out with every instrument of a kind: case, bow, mouthpiece. Taken off the list, it stays as a row."""

    kind = models.ForeignKey(InstrumentKind, on_delete=models.PROTECT, related_name="parts")
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=60)
    order = models.PositiveSmallIntegerField(default=0)
    must_come_back = models.BooleanField(default=True)
    replacement_price = price_field(null=True, blank=True, help_text="What a new one costs; empty: not priced yet.")
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["KindPart"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "code"], name="kind_part_once"),
            models.CheckConstraint(
                condition=Q(replacement_price=None) | Q(replacement_price__gte=0), name="kind_part_price_not_negative"
            ),
        ]
        ordering = ["kind__order", "order", "name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class KindService(models.Model):
    """A piece of work the bench does to instruments of a kind, and how many minutes it usually takes."""

    kind = models.ForeignKey(InstrumentKind, on_delete=models.PROTECT, related_name="services")
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    order = models.PositiveSmallIntegerField(default=0)
    usual_minutes = models.PositiveSmallIntegerField()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["KindService"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "code"], name="kind_service_once"),
            models.CheckConstraint(condition=Q(usual_minutes__gte=1, usual_minutes__lte=2400), name="kind_service_minutes"),
        ]
        ordering = ["kind__order", "order", "name"]

    def __str__(self) -> str:
        return self.name

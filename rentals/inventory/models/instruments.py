"""Every physical instrument, and the chain of its custody: where it is and was, and who answers for it."""

from typing import TYPE_CHECKING, ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import RangeOperators
from django.contrib.postgres.indexes import GinIndex, OpClass
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.catalogue import CatalogueItem, Location
from rentals.inventory.models.deliveries import Delivery
from rentals.inventory.models.imports import FleetImport
from rentals.inventory.models.spans import span
from rentals.runtime.money import price_field


@pghistory.track()
class Instrument(models.Model):
    """One physical instrument with its own asset tag. Where it is stands in its open custody, never here."""

    class Grade(models.TextChoices):
        NEW = "new", "New"
        GOOD = "good", "Good"
        WORN = "worn", "Worn"
        POOR = "poor", "Poor"

    asset_tag = models.CharField(max_length=20, unique=True)
    serial_number = models.CharField(max_length=40, blank=True)
    item = models.ForeignKey(CatalogueItem, on_delete=models.PROTECT, related_name="instruments")
    grade = models.CharField(max_length=6, choices=Grade.choices, default=Grade.GOOD)
    cost = price_field(default=0)
    acquired_on = models.DateField()
    last_cleaned_on = models.DateField(null=True, blank=True)
    notes = models.TextField(blank=True)
    fleet_import = models.ForeignKey(FleetImport, on_delete=models.PROTECT, null=True, related_name="instruments")
    delivery = models.ForeignKey(Delivery, on_delete=models.PROTECT, null=True, related_name="instruments")
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["Instrument"]] = models.Manager()

    if not TYPE_CHECKING:
        # The open custody and the open hold, where a query joins them; it sets nothing where there is none.
        here = held = None

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(asset_tag__regex=r"^[A-Z0-9][A-Z0-9-]{2,19}$"), name="asset_tag_form"),
            models.CheckConstraint(condition=Q(cost__gte=0), name="instrument_cost_not_negative"),
            models.UniqueConstraint("item", "serial_number", condition=~Q(serial_number=""), name="serial_once_per_item"),
        ]
        indexes = [
            GinIndex(OpClass(F("asset_tag"), name="gin_trgm_ops"), name="asset_tag_pieces"),
            GinIndex(OpClass(F("serial_number"), name="gin_trgm_ops"), name="serial_number_pieces"),
        ]

    def __str__(self) -> str:
        return self.asset_tag


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class Custody(models.Model):
    """Where an instrument is and who answers for it, from one moment until the next; never two places at once."""

    class Place(models.TextChoices):
        SHELF = "shelf", "On the shelf"
        BENCH = "bench", "In the shop"
        VAN = "van", "In the van"
        FAMILY = "family", "With a family"
        SCHOOL = "school", "At a school"
        LOST = "lost", "Lost"
        SOLD = "sold", "Sold"
        RETIRED = "retired", "Retired"

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="custodies")
    place = models.CharField(max_length=8, choices=Place.choices)
    location = models.ForeignKey(
        Location, on_delete=models.PROTECT, null=True, related_name="custodies", db_index=False
    )  # custody_left_location begins with it
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, null=True, related_name="custodies")
    school = models.ForeignKey("schools.School", on_delete=models.PROTECT, null=True, related_name="custodies")
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    reason = models.CharField(max_length=160)
    moved_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        verbose_name_plural = "custodies"
        constraints = [
            ExclusionConstraint(
                name="instrument_in_one_place",
                expressions=[("instrument", RangeOperators.EQUAL), (span(), RangeOperators.OVERLAPS)],
            ),
            models.UniqueConstraint(fields=["instrument"], condition=Q(ended_at=None), name="custody_one_open"),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(ended_at__gte=F("began_at")), name="custody_ends_after_it_begins"
            ),
            models.CheckConstraint(
                condition=Q(place__in=["shelf", "bench", "van"], location__isnull=False, household=None, school=None)
                | Q(place="family", location=None, household__isnull=False, school=None)
                | Q(place="school", location=None, household=None, school__isnull=False)
                | Q(place__in=["lost", "sold", "retired"], location=None, household=None, school=None),
                name="custody_place_has_its_keeper",
            ),
        ]
        indexes = [
            models.Index(fields=["instrument", "-began_at"], name="custody_history"),
            models.Index(fields=["household"], condition=Q(ended_at=None), name="custody_open_household"),
            models.Index(fields=["place", "location"], condition=Q(ended_at=None), name="custody_open_place"),
            models.Index(fields=["location", "ended_at"], name="custody_left_location"),
            models.Index(
                fields=["instrument", "-ended_at"], condition=Q(place__in=["family", "school"]), name="custody_came_back"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument_id}: {self.get_place_display()}"

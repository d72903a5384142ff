"""What the programme owns: kinds, catalogue items, every instrument, where it is and was, and the work done on it."""

from typing import ClassVar

import pghistory
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateTimeRangeField, RangeBoundary, RangeOperators
from django.contrib.postgres.indexes import GinIndex, OpClass
from django.db import models
from django.db.models import F, Func, Q

from rentals.runtime.money import price_field


class TsTzRange(Func):
    """`tstzrange(began, ended, '[)')`; an open end means still so."""

    function = "TSTZRANGE"
    output_field = DateTimeRangeField()


def span() -> TsTzRange:
    """The half-open span of a row with `began_at` and `ended_at`, for exclusion constraints."""
    return TsTzRange("began_at", "ended_at", RangeBoundary())


@pghistory.track()
class Location(models.Model):
    """A place of the shop where instruments stand: a store or a workshop."""

    code = models.SlugField(max_length=20, primary_key=True)
    name = models.CharField(max_length=80)
    street = models.CharField(max_length=120)
    city = models.CharField(max_length=80)
    state = models.CharField(max_length=2)
    postal_code = models.CharField(max_length=10)
    is_active = models.BooleanField(default=True)

    def __str__(self) -> str:
        return self.name


class InstrumentKind(models.Model):
    """A kind of instrument: flute, violin, trombone. Codes follow the MusicXML sound list where it names the kind."""

    class Family(models.TextChoices):
        WOODWIND = "woodwind", "Woodwind"
        BRASS = "brass", "Brass"
        STRING = "string", "Bowed strings"
        PERCUSSION = "percussion", "Percussion"

    code = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=60, unique=True)
    family = models.CharField(max_length=12, choices=Family.choices)
    has_sizes = models.BooleanField(default=False, help_text="Bowed strings come in fractional sizes.")
    musicxml_sound = models.CharField(max_length=60, blank=True)
    order = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["order", "name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class CatalogueItem(models.Model):
    """One model of instrument the programme rents, in one size and tier, with its prices."""

    class Tier(models.TextChoices):
        BEGINNER = "beginner", "Beginner"
        ADVANCED = "advanced", "Advancing student"

    kind = models.ForeignKey(InstrumentKind, on_delete=models.PROTECT, related_name="items")
    maker = models.CharField(max_length=60)
    model = models.CharField(max_length=60)
    size = models.CharField(max_length=8, blank=True, help_text="1/16 to 4/4, or inches for violas; empty for winds.")
    tier = models.CharField(max_length=12, choices=Tier.choices, default=Tier.BEGINNER)
    purchase_price = price_field()
    replacement_value = price_field()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["CatalogueItem"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "maker", "model", "size"], name="catalogue_item_once"),
            models.CheckConstraint(
                condition=Q(purchase_price__gte=0, replacement_value__gte=0), name="catalogue_prices_not_negative"
            ),
        ]
        ordering = ["kind__order", "maker", "model", "size"]

    def __str__(self) -> str:
        return " ".join(part for part in (self.maker, self.model, self.size) if part)


@pghistory.track()
class Product(models.Model):
    """Something sold with an instrument: reeds, oil, rosin, a stand, a method book."""

    sku = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=80)
    price = price_field()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["Product"]] = models.Manager()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(price__gte=0), name="product_price_not_negative")]
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class FleetImport(models.Model):
    """A spreadsheet of instruments taken in whole, with the mapping of its columns."""

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, unique=True)
    mapping = models.JSONField()
    row_count = models.PositiveIntegerField()
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return self.file_name


class ImportDraft(models.Model):
    """A spreadsheet on its way in: what was read from it, and how its columns are understood so far."""

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    header = models.JSONField(help_text="The file's column names, in order.")
    rows = models.JSONField(help_text="The cells below the header as text, row by row.")
    mapping = models.JSONField(default=dict, help_text="Our column to the number of theirs.")
    settings = models.JSONField(default=dict, help_text="What holds for rows that leave it out: the location.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    taken_in = models.OneToOneField(FleetImport, on_delete=models.PROTECT, null=True, related_name="draft")

    class Meta:
        indexes = [models.Index(fields=["sha256"], name="import_draft_file")]

    def __str__(self) -> str:
        return self.file_name


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
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["Instrument"]] = models.Manager()

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
        FAMILY = "family", "With a family"
        SCHOOL = "school", "At a school"
        LOST = "lost", "Lost"
        SOLD = "sold", "Sold"
        RETIRED = "retired", "Retired"

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="custodies")
    place = models.CharField(max_length=8, choices=Place.choices)
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, related_name="custodies")
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
                condition=Q(place__in=["shelf", "bench"], location__isnull=False, household=None, school=None)
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
        ]

    def __str__(self) -> str:
        return f"{self.instrument_id}: {self.get_place_display()}"


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

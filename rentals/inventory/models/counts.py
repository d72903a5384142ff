"""Stock counts: what was scanned at a shop, and how each difference from the books was settled. Expected is what custody says."""

from typing import ClassVar

import pghistory
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.catalogue import Location
from rentals.inventory.models.instruments import Custody, Instrument


@pghistory.track()
class StockCount(models.Model):
    """A count of what stands at one shop, of all kinds or some; a shop has one open count at a time."""

    class Outcome(models.TextChoices):
        SETTLED = "settled", "Closed"
        CALLED_OFF = "called_off", "Called off"

    location = models.ForeignKey(Location, on_delete=models.PROTECT, related_name="counts")
    kinds = ArrayField(models.SlugField(max_length=40), default=list, blank=True, help_text="Codes of the kinds; none: all.")
    note = models.CharField(max_length=120, blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)
    closing_words = models.CharField(max_length=160, blank=True)
    expected = models.PositiveIntegerField(null=True)
    found = models.PositiveIntegerField(null=True)
    missing = models.PositiveIntegerField(null=True)
    unexpected = models.PositiveIntegerField(null=True)

    objects: ClassVar[models.Manager["StockCount"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["location"], condition=Q(closed_at=None), name="stock_count_one_open"),
            models.CheckConstraint(
                condition=Q(closed_at=None, closed_by=None, outcome="", found=None, expected=None, missing=None, unexpected=None)
                | (
                    Q(closed_at__gte=F("opened_at"), closed_by__isnull=False, outcome__in=["settled", "called_off"])
                    & Q(found__isnull=False, expected__isnull=False, missing__isnull=False, unexpected__isnull=False)
                ),
                name="stock_count_closed_by_someone",
            ),
        ]
        indexes = [models.Index(fields=["-opened_at"], name="stock_count_newest")]

    def __str__(self) -> str:
        return f"Count {self.pk}"

    @property
    def is_open(self) -> bool:
        """Whether scans and settlements are still taken."""
        return self.closed_at is None


class Difference(models.TextChoices):
    """How what was scanned (or was not) differs from what the books say."""

    MISSING = "missing", "Not seen"
    ELSEWHERE = "elsewhere", "Belongs to another shop"
    SCHOOL = "school", "At a school by the books"
    FAMILY = "family", "With a family by the books"
    LOST = "lost", "Lost by the books"
    SOLD = "sold", "Sold by the books"
    RETIRED = "retired", "Retired by the books"
    NOWHERE = "nowhere", "Never put anywhere"
    UNKNOWN = "unknown", "Unknown code"


class CountScan(models.Model):
    """One code scanned in a count. The browser makes the id, so a scan sent again is one scan; undoing leaves it standing."""

    client_id = models.UUIDField(unique=True)
    count = models.ForeignKey(StockCount, on_delete=models.PROTECT, related_name="scans")
    code = models.CharField(max_length=80)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, null=True, related_name="count_scans")
    told = models.CharField(max_length=12, help_text="The verdict as it was told at the scan.")
    device = models.CharField(max_length=40, blank=True)
    scanned_at = models.DateTimeField()
    received_at = models.DateTimeField()
    scanned_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["count", "instrument"], condition=Q(undone_at=None, instrument__isnull=False), name="counted_once"
            ),
            models.UniqueConstraint(
                fields=["count", "code"], condition=Q(undone_at=None, instrument=None), name="unknown_code_counted_once"
            ),
            models.CheckConstraint(
                condition=Q(undone_at=None, undone_by=None) | Q(undone_at__isnull=False, undone_by__isnull=False),
                name="count_scan_undone_by_someone",
            ),
            models.CheckConstraint(condition=Q(scanned_at__lte=F("received_at")), name="count_scan_before_it_came"),
        ]
        indexes = [models.Index(fields=["count", "-id"], name="count_scan_newest")]

    def __str__(self) -> str:
        return self.code


@pghistory.track()
class CountSettlement(models.Model):
    """What was done about one difference of a count: once, with a reason; one that was left may still be settled otherwise."""

    class How(models.TextChoices):
        MOVED_HERE = "moved_here", "Put on this shop's shelf"
        MOVED_THERE = "moved_there", "Found at another shop"
        LOST = "lost", "Marked as lost"
        RECEIVED = "received", "Taken into the fleet"
        LEFT = "left", "Left as it is"

    count = models.ForeignKey(StockCount, on_delete=models.PROTECT, related_name="settlements")
    scan = models.OneToOneField(CountScan, on_delete=models.PROTECT, null=True, related_name="settlement")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, null=True, related_name="count_settlements")
    difference = models.CharField(max_length=10, choices=Difference.choices)
    how = models.CharField(max_length=12, choices=How.choices)
    reason = models.CharField(max_length=160)
    stood_in = models.ForeignKey(
        Custody, on_delete=models.PROTECT, null=True, related_name="+", help_text="Where the books had it when this was settled."
    )
    custody = models.OneToOneField(
        Custody, on_delete=models.PROTECT, null=True, related_name="count_settlement", help_text="The move this made."
    )
    settled_at = models.DateTimeField()
    settled_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["count", "instrument"], condition=Q(scan=None), name="missing_settled_once"),
            models.CheckConstraint(
                condition=Q(difference="missing", scan=None, instrument__isnull=False)
                | (~Q(difference="missing") & Q(scan__isnull=False)),
                name="settlement_of_a_scan_or_a_missing_one",
            ),
            models.CheckConstraint(
                condition=Q(how__in=["moved_here", "moved_there", "lost"], custody__isnull=False)
                | Q(how__in=["received", "left"], custody=None),
                name="settlement_moves_or_leaves",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_difference_display()}: {self.get_how_display()}"

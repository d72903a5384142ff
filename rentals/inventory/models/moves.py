"""Many instruments moved one after the other: where they go, and what each scan came to."""

import pghistory
from django.db import models
from django.db.models import Q

from rentals.inventory.models.catalogue import Location
from rentals.inventory.models.instruments import Custody, Instrument


@pghistory.track()
class MoveBatch(models.Model):
    """A round of scanning with one aim: place, reason, perhaps condition. With `from_school` a school's instruments come back."""

    place = models.CharField(max_length=8, choices=Custody.Place.choices)
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, related_name="+")
    school = models.ForeignKey("schools.School", on_delete=models.PROTECT, null=True, related_name="+")
    from_school = models.ForeignKey("schools.School", on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=140)
    grade = models.CharField(max_length=6, choices=Instrument.Grade.choices, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        verbose_name_plural = "move batches"
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(place__in=["shelf", "bench"], location__isnull=False, school=None)
                | Q(place="school", location=None, school__isnull=False, from_school=None),
                name="move_batch_has_its_keeper",
            ),
        ]

    def __str__(self) -> str:
        return f"Moves {self.pk}"


class MoveScan(models.Model):
    """One code of a round and its verdict. The browser makes the id, so a scan sent again is one scan."""

    class Verdict(models.TextChoices):
        MOVED = "moved", "Moved"
        ALREADY = "already", "Already there"
        UNKNOWN = "unknown", "Unknown"
        WRONG = "wrong", "Not moved"

    client_id = models.UUIDField(unique=True)
    batch = models.ForeignKey(MoveBatch, on_delete=models.PROTECT, related_name="scans")
    code = models.CharField(max_length=80)
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, null=True, related_name="+")
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    words = models.CharField(max_length=300)
    custody = models.OneToOneField(Custody, on_delete=models.PROTECT, null=True, related_name="move_scan")
    grade_before = models.CharField(max_length=6, blank=True)
    scanned_at = models.DateTimeField()
    scanned_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(verdict="moved", custody__isnull=False) | (~Q(verdict="moved") & Q(custody=None, undone_at=None)),
                name="move_scan_moved_has_its_move",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code}: {self.verdict}"

"""Photographs of instruments: pictures re-made by the office, never the file that was sent."""

import pghistory
import pgtrigger
from django.db import models
from django.db.models import F, Func, Q, Value

from rentals.inventory.models.instruments import Instrument
from rentals.inventory.models.work import WorkOrder


def _sha256_of(column: str) -> Func:
    digest = Func(F(column), function="sha256", output_field=models.BinaryField())
    return Func(digest, Value("hex"), function="encode", output_field=models.CharField())


@pghistory.track(exclude=["image", "thumb"])
class Photo(models.Model):
    """A picture of an instrument, perhaps of one piece of work on it. Taken away it waits to be put back, until it is erased."""

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="photos")
    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, null=True, related_name="photos")
    image = models.BinaryField(null=True, help_text="JPEG without metadata, at most 1600 pixels on its longer side.")
    thumb = models.BinaryField(null=True, help_text="The same, at most 320 pixels.")
    sha256 = models.CharField(max_length=64, help_text="Of the image.")
    width = models.PositiveSmallIntegerField()
    height = models.PositiveSmallIntegerField()
    caption = models.CharField(max_length=120, blank=True)
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    removed_at = models.DateTimeField(null=True)
    removed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    removed_because = models.CharField(max_length=120, blank=True)
    erased_at = models.DateTimeField(null=True, help_text="Since when the bytes are gone for good.")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(image=None) | Q(sha256=_sha256_of("image")), name="photo_sha256_is_of_image"),
            models.CheckConstraint(
                condition=Q(removed_at=None, removed_by=None, removed_because="")
                | (Q(removed_at__isnull=False, removed_by__isnull=False) & ~Q(removed_because="")),
                name="photo_removed_by_someone_for_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(erased_at=None, image__isnull=False, thumb__isnull=False)
                | Q(erased_at__isnull=False, removed_at__isnull=False, image=None, thumb=None),
                name="photo_erased_after_removed",
            ),
            models.UniqueConstraint(
                fields=["instrument", "work_order", "sha256"],
                condition=Q(removed_at=None),
                nulls_distinct=False,
                name="photo_once_where_it_hangs",
            ),
        ]
        indexes = [models.Index(fields=["instrument", "-taken_at"], name="photo_newest")]
        triggers = [
            pgtrigger.Protect(name="photo_rows_stay", operation=pgtrigger.Delete),
            pgtrigger.Protect(
                name="photo_bytes_stay",
                operation=pgtrigger.Update,
                condition=pgtrigger.Condition(
                    "OLD.image IS DISTINCT FROM NEW.image AND NEW.image IS NOT NULL"
                    " OR OLD.thumb IS DISTINCT FROM NEW.thumb AND NEW.thumb IS NOT NULL"
                    " OR (OLD.sha256, OLD.width, OLD.height, OLD.instrument_id, OLD.taken_at, OLD.taken_by_id)"
                    " IS DISTINCT FROM (NEW.sha256, NEW.width, NEW.height, NEW.instrument_id, NEW.taken_at, NEW.taken_by_id)"
                    " OR OLD.work_order_id IS DISTINCT FROM NEW.work_order_id OR OLD.erased_at IS NOT NULL"
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.caption or f"Picture {self.pk}"

"""Which pictures there are, without their bytes."""

from django.db.models import QuerySet

from rentals.inventory.models import Instrument, Photo, WorkOrder


def _shown() -> QuerySet[Photo]:
    return Photo.objects.defer("image", "thumb").select_related("taken_by", "removed_by", "work_order")


def list_photos(instrument: Instrument, work_order: WorkOrder | None = None) -> QuerySet[Photo]:
    """Return an instrument's pictures, or those of one piece of work on it, newest first."""
    found = _shown().filter(instrument=instrument, removed_at=None)
    if work_order:
        found = found.filter(work_order=work_order)
    return found.order_by("-taken_at", "-pk")


def list_removed_photos(instrument: Instrument) -> QuerySet[Photo]:
    """Return the pictures that were taken away, the last first, erased ones too."""
    return _shown().filter(instrument=instrument, removed_at__isnull=False).order_by("-removed_at", "-pk")

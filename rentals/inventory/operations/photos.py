"""Photographs added, taken away, put back and erased. Each function is one transaction, perhaps a step of a larger one."""

import datetime
from typing import Any

from django.db import transaction

from rentals.inventory.models import Instrument, Photo, WorkOrder
from rentals.inventory.photographs.pictures import MOST_BYTES, Picture, PictureRefusedError, remake
from rentals.runtime import locks
from rentals.staff.models import User

MOST_PHOTOS = 60
"""So many an instrument; a repair needs four or five."""


class TooManyPhotosError(Exception):
    """The instrument has as many pictures as are kept."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} has {MOST_PHOTOS} pictures already: remove an old one first.")


class PhotoMovedOnError(Exception):
    """A picture is not any more what it was when it was shown: removed, put back or erased by somebody else."""


class WorkOnAnotherInstrumentError(Exception):
    """A work order belongs to another instrument than the picture."""


def add_photo(
    *,
    instrument: Instrument,
    upload: Any,
    caption: str,
    acting_user: User,
    now: datetime.datetime,
    work_order: WorkOrder | None = None,
) -> Photo:
    """Keep a picture of an instrument, perhaps of one piece of work on it, and return it.

    `upload` is a file or its bytes. It is re-made before the transaction begins (see `pictures.remake`). The same picture sent
    again gives the one that is there. Raises PictureRefusedError, TooManyPhotosError, WorkOnAnotherInstrumentError.
    """
    picture = remake(_bytes_of(upload))
    return _keep(instrument=instrument, work_order=work_order, picture=picture, caption=caption, acting_user=acting_user, now=now)


def _bytes_of(upload: Any) -> bytes:
    """Read a file, but never more of it than can be kept."""
    return bytes(upload) if isinstance(upload, bytes | memoryview) else bytes(upload.read(MOST_BYTES + 1))


@transaction.atomic
def _keep(
    *,
    instrument: Instrument,
    work_order: WorkOrder | None,
    picture: Picture,
    caption: str,
    acting_user: User,
    now: datetime.datetime,
) -> Photo:
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    if work_order and work_order.instrument_id != instrument.pk:
        message = "This work order belongs to another instrument: open the right one and send the picture there."
        raise WorkOnAnotherInstrumentError(message)
    kept = Photo.objects.filter(instrument=instrument, removed_at=None).defer("image", "thumb")
    same = kept.filter(work_order=work_order, sha256=picture.sha256).first()
    if same:
        return same
    if kept.count() >= MOST_PHOTOS:
        raise TooManyPhotosError(instrument)
    return Photo.objects.create(
        instrument=instrument,
        work_order=work_order,
        image=picture.image,
        thumb=picture.thumb,
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        caption=" ".join(caption.split())[:120],
        taken_at=now,
        taken_by=acting_user,
    )


def _lock(photo: Photo) -> Photo:
    """Lock a picture under its instrument's lock, without its bytes."""
    locks.lock_one(Instrument.objects.filter(pk=photo.instrument_id))
    locked: Photo = locks.lock_one(Photo.objects.filter(pk=photo.pk).defer("image", "thumb"))
    return locked


@transaction.atomic
def remove_photo(*, photo: Photo, because: str, acting_user: User, now: datetime.datetime) -> Photo:
    """Take a picture away, with the reason; it can be put back until it is erased. Raises PhotoMovedOnError."""
    current = _lock(photo)
    if current.removed_at:
        raise PhotoMovedOnError("This picture was removed already.")
    current.removed_at, current.removed_by, current.removed_because = now, acting_user, because.strip()[:120]
    current.save(update_fields=["removed_at", "removed_by", "removed_because"])
    return current


@transaction.atomic
def put_back_photo(*, photo: Photo, acting_user: User) -> Photo:
    """Put back a picture that was taken away. Raises PhotoMovedOnError, TooManyPhotosError."""
    current = _lock(photo)
    if current.erased_at:
        raise PhotoMovedOnError("This picture was erased: it cannot be put back. Take it again.")
    others = Photo.objects.filter(instrument_id=current.instrument_id, removed_at=None)
    if not current.removed_at or others.filter(work_order=current.work_order_id, sha256=current.sha256).exists():
        raise PhotoMovedOnError("This picture is back already.")
    if others.count() >= MOST_PHOTOS:
        raise TooManyPhotosError(current.instrument)
    current.removed_at, current.removed_by, current.removed_because = None, None, ""
    current.save(update_fields=["removed_at", "removed_by", "removed_because"])
    return current


@transaction.atomic
def erase_photo(*, photo: Photo, acting_user: User, now: datetime.datetime) -> Photo:
    """Erase the bytes of a picture that was taken away, for good: it shows somebody, or a name. Raises PhotoMovedOnError."""
    current = _lock(photo)
    if current.erased_at or not current.removed_at:
        raise PhotoMovedOnError("Only a picture that was removed, and not yet erased, can be erased.")
    current.image, current.thumb, current.erased_at = None, None, now
    current.save(update_fields=["image", "thumb", "erased_at"])
    return current


__all__ = [
    "MOST_PHOTOS",
    "PhotoMovedOnError",
    "PictureRefusedError",
    "TooManyPhotosError",
    "WorkOnAnotherInstrumentError",
    "add_photo",
    "erase_photo",
    "put_back_photo",
    "remove_photo",
]

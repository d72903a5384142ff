"""The packing list of a sign-up night on paper."""

import datetime

from django.utils.dateformat import time_format

from rentals.agreements.models import UnitPromise
from rentals.counter.nights.packing.queries import Packing, Shelf
from rentals.documents.pages import PackingPage, PackingProduct, PackingPromise, PackingShelf, PackingUnit

HOURS = "g:i A"


def make_page(packing: Packing, *, now: datetime.datetime) -> PackingPage:
    """Return what is to be picked and what is along, as it stands; of students, initials."""
    night = packing.night
    place = ", ".join(part for part in (night.room, night.school.street, night.school.city) if part)
    return PackingPage(
        school=str(night.school),
        place=place,
        on=night.on,
        hours=f"{time_format(night.begins_at, HOURS)} to {time_format(night.ends_at, HOURS)}",
        shop=str(night.location),
        printed_at=now,
        promises=tuple(_promise(each) for each in packing.promises),
        shelves=tuple(_shelf(each) for each in packing.shelves),
        kit=tuple(PackingProduct(name, count) for name, count in packing.kit),
        along=len(packing.along),
    )


def _promise(promise: UnitPromise) -> PackingPromise:
    promised = promise.promised.asset_tag if promise.promised else ""
    words = " ".join(part for part in (promise.item.kind.name, promise.item.size, promised) if part)
    programme = promise.agreement.programme
    return PackingPromise(words, promise.agreement.student.initials, str(programme.school) if programme else "")


def _shelf(shelf: Shelf) -> PackingShelf:
    units = tuple(PackingUnit(unit.asset_tag, str(unit.item)) for unit in shelf.picks)
    return PackingShelf(shelf.name, shelf.wanted, shelf.short, units)

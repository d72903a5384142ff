"""Moves taken back, and instruments that come back after all; the chain shows both. Each function is one transaction."""

import datetime

from django.db import transaction

from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, Location, WorkOrder
from rentals.inventory.operations.errors import (
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    MoveNotUndoneError,
    WorkOrderStillOpenError,
)
from rentals.inventory.operations.instruments import GONE, carry
from rentals.runtime import locks
from rentals.staff.models import User

BY_HAND = {Custody.Place.SHELF, Custody.Place.BENCH, Custody.Place.SCHOOL}
UNDONE_FOR = datetime.timedelta(days=30)


def may_undo(custody: Custody, before: Custody | None, now: datetime.datetime) -> bool:
    """Tell whether a stay is the last move by hand, of the last 30 days, and the shop had the instrument before it too."""
    moved = custody.ended_at is None and custody.place in BY_HAND | {Custody.Place.LOST}
    return moved and before is not None and before.place in BY_HAND and now - custody.began_at <= UNDONE_FOR


@transaction.atomic
def undo_move(*, custody: Custody, acting_user: User, now: datetime.datetime) -> Custody:
    """Take the last move of an instrument back: open a new stay where it was before, and return it.

    Raises MoveNotUndoneError when it was moved on since, or was no move by hand of the last 30 days;
    InstrumentOnAgreementError, WorkOrderStillOpenError, MoveBeforeLastMoveError, RowsBusyError.
    """
    instrument: Instrument = locks.lock_one(Instrument.objects.filter(pk=custody.instrument_id))
    here, before = [*queries.list_custodies(instrument)[:2], None][:2]
    if here is None or here.pk != custody.pk or not may_undo(here, before, now) or before is None:
        raise MoveNotUndoneError(instrument)
    unit = queries.get_open_unit(instrument)
    if unit:
        raise InstrumentOnAgreementError(instrument, unit.agreement)
    order = WorkOrder.objects.filter(instrument=instrument, closed_at=None).first()
    if order and here.place == Custody.Place.BENCH:
        raise WorkOrderStillOpenError(instrument, order)
    return carry(
        instrument,
        here,
        now,
        place=before.place,
        location=before.location,
        school=before.school,
        reason=f"Undone: {here.reason}",
        moved_by=acting_user,
    )


@transaction.atomic
def bring_back(*, instrument: Instrument, location: Location, reason: str, acting_user: User, now: datetime.datetime) -> Custody:
    """Put an instrument that was lost, retired or sold onto the shelf at `location` again; return its new stay.

    A step of finding it or of undoing its sale: the books are the caller's. Raises InstrumentNotThereError where it is not
    gone, MoveBeforeLastMoveError, RowsBusyError.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    here = queries.list_custodies(instrument).filter(ended_at=None).first()
    if here is None or here.place not in GONE:
        raise InstrumentNotThereError(instrument, str(here.place) if here else "", Custody.Place.SHELF)
    return carry(instrument, here, now, place=Custody.Place.SHELF, location=location, reason=reason, moved_by=acting_user)

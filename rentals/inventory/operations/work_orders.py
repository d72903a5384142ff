"""Work orders and cleanings. Each function is one transaction, and may also be a step of a larger one."""

import datetime

from django.db import transaction
from django.utils import timezone

from rentals.inventory.models import Custody, Instrument, Location, WorkOrder
from rentals.inventory.operations.errors import WorkOrderAlreadyOpenError, WorkOrderClosedError
from rentals.inventory.operations.instruments import move_instrument
from rentals.runtime import locks
from rentals.staff.models import User


@transaction.atomic
def open_work_order(
    *, instrument: Instrument, kind: str, problem: str, location: Location, acting_user: User, now: datetime.datetime
) -> WorkOrder:
    """Take the instrument to the bench at `location`, unless it is there, and open a work order on it.

    Raises WorkOrderAlreadyOpenError and whatever `move_instrument` raises.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    earlier = WorkOrder.objects.filter(instrument=instrument, closed_at=None).first()
    if earlier:
        raise WorkOrderAlreadyOpenError(instrument, earlier)
    there = Custody.objects.filter(instrument=instrument, ended_at=None, place=Custody.Place.BENCH, location=location)
    if not there.exists():
        move_instrument(
            instrument=instrument,
            place=Custody.Place.BENCH,
            location=location,
            reason=f"{WorkOrder.Kind(kind).label}: {problem}" if problem else WorkOrder.Kind(kind).label,
            acting_user=acting_user,
            now=now,
        )
    return WorkOrder.objects.create(instrument=instrument, kind=kind, problem=problem, opened_at=now, opened_by=acting_user)


@transaction.atomic
def close_work_order(*, order: WorkOrder, work_done: str, acting_user: User, now: datetime.datetime) -> WorkOrder:
    """Close a work order with what was done; the instrument stays where it is. A cleaning is noted on the instrument.

    Raises WorkOrderClosedError.
    """
    locks.lock_one(Instrument.objects.filter(pk=order.instrument_id))
    current: WorkOrder = locks.lock_one(WorkOrder.objects.filter(pk=order.pk))
    if current.closed_at:
        message = "This work order was closed already."
        raise WorkOrderClosedError(message)
    current.closed_at, current.closed_by, current.work_done = now, acting_user, work_done
    current.save(update_fields=["closed_at", "closed_by", "work_done"])
    if current.kind == WorkOrder.Kind.CLEANING:
        Instrument.objects.filter(pk=order.instrument_id).update(last_cleaned_on=_day(now))
    return current


@transaction.atomic
def record_cleaning(
    *, instrument: Instrument, cleaned_on: datetime.date, acting_user: User, now: datetime.datetime
) -> Instrument:
    """Note the annual cleaning of an instrument as done on a day; an open cleaning order on it is closed with it."""
    current: Instrument = locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    order = WorkOrder.objects.filter(instrument=current, closed_at=None, kind=WorkOrder.Kind.CLEANING).first()
    if order:
        close_work_order(order=order, work_done="Cleaned", acting_user=acting_user, now=now)
    else:
        WorkOrder.objects.create(
            instrument=current,
            kind=WorkOrder.Kind.CLEANING,
            opened_at=now,
            opened_by=acting_user,
            closed_at=now,
            closed_by=acting_user,
            work_done="Cleaned",
        )
    current.last_cleaned_on = max(cleaned_on, current.last_cleaned_on or cleaned_on)
    current.save(update_fields=["last_cleaned_on"])
    return current


def _day(now: datetime.datetime) -> datetime.date:
    return timezone.localtime(now).date()

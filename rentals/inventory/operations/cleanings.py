"""Cleanings taken back: noted by mistake, or called off. Each function is one transaction, or a step of a larger one."""

import datetime

from django.db import transaction

from rentals.inventory.models import Instrument, WorkOrder
from rentals.inventory.operations.work_orders import close_work_order
from rentals.inventory.operations.work_states import change_state
from rentals.runtime import locks
from rentals.staff.models import User

NOT_CLEANED = "Not cleaned: noted by mistake"


class CleanedSinceError(Exception):
    """The cleaning that was to be taken back is not the instrument's last any more."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        super().__init__(f"{instrument.asset_tag} was cleaned again since: nothing was undone.")


@transaction.atomic
def undo_cleaning(
    *,
    instrument: Instrument,
    cleaned_on: datetime.date,
    back_to: datetime.date | None,
    acting_user: User,
    now: datetime.datetime,
) -> Instrument:
    """Take back a cleaning that was noted by mistake for a day: its order says so, and the date before it holds again.

    Raises CleanedSinceError when another cleaning followed, RowsBusyError.
    """
    current: Instrument = locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    done = WorkOrder.objects.filter(
        instrument=current, kind=WorkOrder.Kind.CLEANING, outcome=WorkOrder.Outcome.REPAIRED, closed_at__date=cleaned_on
    )
    order = done.order_by("-closed_at", "-pk").first()
    if order is None or current.last_cleaned_on != cleaned_on:
        raise CleanedSinceError(current)
    order.outcome, order.work_done, order.version = WorkOrder.Outcome.UNREPAIRED, NOT_CLEANED, order.version + 1
    order.save(update_fields=["outcome", "work_done", "version"])
    current.last_cleaned_on = back_to
    current.save(update_fields=["last_cleaned_on"])
    return current


@transaction.atomic
def call_off_cleaning(*, order: WorkOrder, why: str, acting_user: User, now: datetime.datetime) -> WorkOrder:
    """Close a cleaning order without its cleaning. Raises what changing the state and closing raise."""
    change_state(order=order, to=WorkOrder.State.READY, note=why, acting_user=acting_user, now=now)
    return close_work_order(order=order, work_done=why, acting_user=acting_user, now=now)

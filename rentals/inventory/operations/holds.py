"""Instruments put aside and let go again. Each function is one transaction, and may also be a step of a larger one."""

import datetime

from django.db import transaction

from rentals.inventory import queries
from rentals.inventory.models import Custody, Hold, Instrument
from rentals.inventory.operations.errors import (
    HoldEndsTooSoonError,
    InstrumentHeldError,
    InstrumentNotHeldError,
    InstrumentOnAgreementError,
    NothingToHoldError,
)
from rentals.runtime import locks
from rentals.staff.models import User

HERE = (Custody.Place.SHELF, Custody.Place.BENCH, Custody.Place.SCHOOL)


@transaction.atomic
def hold_instrument(
    *,
    instrument: Instrument,
    reason: str,
    held_until: datetime.date | None,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> Hold:
    """Put an instrument aside and return the hold; nobody can be given it until it is released.

    `held_until` is the day on which it is free again by itself, at the earliest tomorrow; None until somebody releases it.
    Raises HoldEndsTooSoonError, NothingToHoldError where the shop does not have it, InstrumentOnAgreementError,
    InstrumentHeldError, RowsBusyError.
    """
    if held_until is not None and held_until <= today:
        raise HoldEndsTooSoonError
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    unit = queries.get_open_unit(instrument)
    if unit:
        raise InstrumentOnAgreementError(instrument, unit.agreement)
    here = queries.get_whereabouts(instrument)
    if here is None or here.place not in HERE:
        raise NothingToHoldError(instrument, here.words if here else "")
    earlier = queries.get_hold(instrument)
    if earlier:
        raise InstrumentHeldError(instrument, earlier)
    return Hold.objects.create(
        instrument=instrument, reason=reason[:160], held_until=held_until, began_at=now, made_by=acting_user
    )


@transaction.atomic
def release_hold(*, instrument: Instrument, acting_user: User, now: datetime.datetime) -> Hold:
    """Let an instrument go that was put aside; return the hold as it ended. Raises InstrumentNotHeldError, RowsBusyError."""
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    hold = queries.get_hold(instrument)
    if hold is None:
        raise InstrumentNotHeldError(instrument)
    return end_hold(hold, acting_user, now)


@transaction.atomic
def release_due_holds(*, acting_user: User, now: datetime.datetime, today: datetime.date) -> int:
    """Let go every instrument whose hold was to end by `today`; return how many. May be repeated."""
    due = list(Hold.objects.filter(ended_at=None, held_until__lte=today).values_list("instrument", flat=True))
    locks.lock_rows(Instrument.objects.filter(pk__in=due))
    holds = list(Hold.objects.filter(ended_at=None, held_until__lte=today, instrument__in=due).order_by("pk"))
    for hold in holds:
        end_hold(hold, acting_user, now)
    return len(holds)


def end_hold(hold: Hold, acting_user: User, now: datetime.datetime) -> Hold:
    """Write down that a hold is over; its instrument is locked."""
    hold.ended_at, hold.ended_by = max(now, hold.began_at), acting_user
    hold.save(update_fields=["ended_at", "ended_by"])
    return hold

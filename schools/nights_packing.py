"""What a night's van takes along and brings back, instrument by instrument: loaded, taken off, missing; packed and unpacked.

Locks: the night first (others may go on reading and scanning into it), then the instrument.
"""

import datetime

from django.db import IntegrityError, transaction

from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, Location
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from schools.models import Allotment, AllotmentLine, Night, NightUnit
from schools.nights import NightOverError, lock_night, open_if_planned


class AlongAlreadyError(Exception):
    """The instrument is in the van already, of this night or of another."""

    def __init__(self, unit: NightUnit, night: Night) -> None:
        self.unit, self.is_here = unit, unit.night_id == night.pk
        tag = unit.instrument.asset_tag
        super().__init__(
            f"{tag} is in the van for this night already."
            if self.is_here
            else f"{tag} is in the van for {unit.night.school}, {unit.night.on:%B} {unit.night.on.day}: take it off there first."
        )


class NotOnShelfError(Exception):
    """Only what stands on a shelf of the shop is loaded."""

    def __init__(self, instrument: Instrument, here: queries.Whereabouts | None) -> None:
        self.instrument, self.here = instrument, here
        keeper = f", {here.keeper}" if here and here.keeper and here.place != Custody.Place.FAMILY else ""
        where = f"{here.words.lower()}{keeper}" if here else "nowhere yet"
        super().__init__(
            f"By the books {instrument.asset_tag} is {where}. If it is in your hand, put it on the shelf first, then load it."
        )


class NotAlongError(Exception):
    """The instrument is not in this night's van."""

    def __init__(self, instrument: Instrument, night: Night, unit: NightUnit | None) -> None:
        self.instrument, self.unit = instrument, unit
        tag = instrument.asset_tag
        if unit is None:
            words = f"{tag} was not loaded for this night."
        elif unit.outcome == NightUnit.Outcome.GIVEN:
            words = f"{tag} was given to a family at this night. Put it aside, and ask who signed for it."
        elif unit.outcome == NightUnit.Outcome.MISSING:
            words = f"{tag} was marked as missing."
        else:
            words = f"{tag} came off the van already."
        super().__init__(words)


@transaction.atomic
def load(
    *,
    night: Night,
    instrument: Instrument,
    acting_user: User,
    now: datetime.datetime,
    line: AllotmentLine | None = None,
) -> NightUnit:
    """Load an instrument from a shelf into the van of a night, for a line of its allotment or as an extra; return the row.

    The first one opens a planned night. Raises NightOverError, AlongAlreadyError, InstrumentHeldError,
    InstrumentOnAgreementError, NotOnShelfError, MoveBeforeLastMoveError, RowsBusyError.
    """
    current = lock_night(night)
    locked: Instrument = lock_one(Instrument.objects.filter(pk=instrument.pk))
    check_free(locked, current)
    try:
        with transaction.atomic():
            unit = NightUnit.objects.create(night=current, instrument=locked, line=line, loaded_at=now, loaded_by=acting_user)
    except IntegrityError as error:
        along = get_along(locked)
        if along is None:
            raise
        raise AlongAlreadyError(along, current) from error
    fleet.move_instrument(
        instrument=locked,
        place=Custody.Place.VAN,
        location=current.location,
        reason=f"Loaded for the sign-up night, {current.school}",
        acting_user=acting_user,
        now=now,
    )
    open_if_planned(current, now)
    return unit


def check_free(instrument: Instrument, night: Night) -> None:
    """Check that nothing keeps an instrument from this night's van; what load raises."""
    along = get_along(instrument)
    if along is not None:
        raise AlongAlreadyError(along, night)
    hold = queries.get_hold(instrument)
    if hold is not None:
        raise fleet.InstrumentHeldError(instrument, hold)
    rented = queries.get_open_unit(instrument)
    if rented is not None:
        raise fleet.InstrumentOnAgreementError(instrument, rented.agreement)
    here = queries.get_whereabouts(instrument)
    if here is None or here.place != Custody.Place.SHELF:
        raise NotOnShelfError(instrument, here)


def get_along(instrument: Instrument) -> NightUnit | None:
    """Return the row by which an instrument is in the van of some night, None when it is in none."""
    along = NightUnit.objects.filter(instrument=instrument, ended_at=None)
    return along.select_related("instrument", "night__school").first()


@transaction.atomic
def unload(*, night: Night, instrument: Instrument, location: Location, acting_user: User, now: datetime.datetime) -> NightUnit:
    """Take an instrument off the van of a night and put it on the shelf of a shop; return its row.

    One that was missing and turns up is taken back too. A night that was closed may still be unloaded.
    Raises NightOverError (called off), NotAlongError, InstrumentNotThereError, RowsBusyError.
    """
    current = _lock_any(night)
    locked: Instrument = lock_one(Instrument.objects.filter(pk=instrument.pk))
    unit = _last_of(locked, current)
    if unit is None or unit.outcome not in {"", NightUnit.Outcome.MISSING}:
        raise NotAlongError(locked, current, unit)
    fleet.move_instrument(
        instrument=locked,
        place=Custody.Place.SHELF,
        location=location,
        reason=f"Back from the sign-up night, {current.school}",
        acting_user=acting_user,
        now=now,
    )
    return _end(unit, NightUnit.Outcome.BACK, acting_user, now)


@transaction.atomic
def mark_missing(*, night: Night, instrument: Instrument, acting_user: User, now: datetime.datetime) -> NightUnit:
    """Say that an instrument which should be in the van is not there: it is lost until it turns up. Return its row.

    Raises NightOverError (called off), NotAlongError, RowsBusyError.
    """
    current = _lock_any(night)
    locked: Instrument = lock_one(Instrument.objects.filter(pk=instrument.pk))
    unit = _last_of(locked, current)
    if unit is None or unit.ended_at is not None:
        raise NotAlongError(locked, current, unit)
    fleet.move_instrument(
        instrument=locked,
        place=Custody.Place.LOST,
        reason=f"Missing after the sign-up night, {current.school}",
        acting_user=acting_user,
        now=now,
    )
    return _end(unit, NightUnit.Outcome.MISSING, acting_user, now)


@transaction.atomic
def set_packed(*, night: Night, is_packed: bool, acting_user: User, now: datetime.datetime) -> Allotment:
    """Say that the van is packed, which freezes its allotment, or take the packing up again; return the allotment.

    Said twice, it stays as it was said first. Raises NightOverError, Allotment.DoesNotExist, RowsBusyError.
    """
    lock_night(night)
    allotment: Allotment = lock_one(Allotment.objects.filter(night=night))
    if bool(allotment.packed_at) == is_packed:
        return allotment
    allotment.packed_at, allotment.packed_by = (now, acting_user) if is_packed else (None, None)
    allotment.save(update_fields=["packed_at", "packed_by"])
    return allotment


def _lock_any(night: Night) -> Night:
    current: Night = lock_one(Night.objects.select_related("school", "location").filter(pk=night.pk), strength="no_key")
    if current.state == Night.State.CALLED_OFF:
        raise NightOverError(current)
    return current


def _last_of(instrument: Instrument, night: Night) -> NightUnit | None:
    rows = NightUnit.objects.filter(instrument=instrument, night=night).select_related("night", "instrument")
    return rows.order_by("-loaded_at", "-pk").first()


def _end(unit: NightUnit, outcome: NightUnit.Outcome, acting_user: User, now: datetime.datetime) -> NightUnit:
    unit.outcome, unit.ended_at, unit.ended_by = outcome, now, acting_user
    unit.save(update_fields=["outcome", "ended_at", "ended_by"])
    return unit

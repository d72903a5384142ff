"""Instruments received, changed and moved. Each function is one transaction, and may also be a step of a larger one."""

import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from moneyed import Money

from rentals.inventory import queries, rules
from rentals.inventory.models import CatalogueItem, Custody, FleetImport, Instrument, Location, WorkOrder
from rentals.inventory.operations.errors import (
    AssetTagTakenError,
    InstrumentChangedError,
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    MoveBeforeLastMoveError,
    SerialNumberTakenError,
    WorkOrderStillOpenError,
)
from rentals.inventory.operations.holds import end_hold
from rentals.inventory.operations.tag_series import take_tags
from rentals.runtime import locks
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

GONE = {Custody.Place.LOST, Custody.Place.SOLD, Custody.Place.RETIRED}


def _amount(cost: Money | Decimal) -> Decimal:
    return cost if isinstance(cost, Decimal) else Decimal(cost.amount)


@transaction.atomic
def receive_instrument(
    *,
    asset_tag: str,
    serial_number: str,
    item: CatalogueItem,
    grade: str,
    cost: Money | Decimal,
    acquired_on: datetime.date,
    location: Location,
    acting_user: User,
    now: datetime.datetime,
    notes: str = "",
    fleet_import: FleetImport | None = None,
    request_key: UUID | None = None,
) -> Instrument:
    """Take a new instrument into the fleet, onto the shelf of `location`, and return it.

    Without a tag it gets the next one of its kind's series; the same request sent again gives the instrument made before.
    Raises BadAssetTagError, AssetTagTakenError, SerialNumberTakenError, NoTagSeriesError, RequestKeyReusedError.
    """
    if request_key:
        request = {"tag": asset_tag, "serial": serial_number, "item": item.pk, "grade": grade, "location": location.pk}
        request |= {"cost": _amount(cost), "acquired_on": acquired_on, "notes": notes}
        done = claim_request(key=request_key, purpose="receive_instrument", request=request, acting_user=acting_user)
        if done is not None:
            return Instrument.objects.get(pk=done["instrument"])
    tag = rules.normalise_tag(asset_tag) if asset_tag else take_tags(wanted={item.kind: 1})[item.kind_id][0]
    try:
        with transaction.atomic():
            instrument = Instrument.objects.create(
                asset_tag=tag,
                serial_number=serial_number.strip().upper(),
                item=item,
                grade=grade,
                cost=_amount(cost),
                acquired_on=acquired_on,
                notes=notes,
                fleet_import=fleet_import,
            )
    except IntegrityError as error:
        raise _taken(error, tag, serial_number, item) from error
    Custody.objects.create(
        instrument=instrument, place=Custody.Place.SHELF, location=location, began_at=now, reason="Received", moved_by=acting_user
    )
    if request_key:
        keep_answer(key=request_key, answer={"instrument": instrument.pk})
    return instrument


def _taken(error: IntegrityError, tag: str, serial_number: str, item: CatalogueItem) -> Exception:
    constraint = getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") or ""
    if constraint == "serial_once_per_item":
        return SerialNumberTakenError(serial_number, item)
    return AssetTagTakenError(tag) if "asset_tag" in constraint and "form" not in constraint else error


@transaction.atomic
def change_instrument(
    *,
    instrument: Instrument,
    version: int,
    asset_tag: str,
    serial_number: str,
    item: CatalogueItem,
    grade: str,
    cost: Money | Decimal,
    acquired_on: datetime.date,
    notes: str,
    acting_user: User,
) -> Instrument:
    """Change an instrument's facts as they were when it had `version`; where it is does not change here.

    Raises InstrumentChangedError, BadAssetTagError, AssetTagTakenError, SerialNumberTakenError.
    """
    current: Instrument = locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    if current.version != version:
        raise InstrumentChangedError(current)
    tag = rules.normalise_tag(asset_tag)
    facts: dict[str, Any] = {
        "asset_tag": tag,
        "serial_number": serial_number.strip().upper(),
        "item": item,
        "grade": grade,
        "cost": _amount(cost),
        "acquired_on": acquired_on,
        "notes": notes,
        "version": version + 1,
    }
    for name, value in facts.items():
        setattr(current, name, value)
    try:
        with transaction.atomic():
            current.save(update_fields=[*facts])
    except IntegrityError as error:
        raise _taken(error, tag, serial_number, item) from error
    return current


@transaction.atomic
def note_grade(*, instrument: Instrument, grade: str) -> Instrument:
    """Note the condition an instrument was found in; an inspection overrides whatever was typed before."""
    current: Instrument = locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    if current.grade != grade:
        current.grade, current.version = grade, current.version + 1
        current.save(update_fields=["grade", "version"])
    return current


@transaction.atomic
def move_by_hand(
    *,
    instrument: Instrument,
    place: str,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    location: Location | None = None,
    school: Any = None,
) -> Custody:
    """Move an instrument because a person says where it is: to a shelf, the shop, a school, or among the lost or retired.

    Raises InstrumentOnAgreementError for one on an open agreement, unless it goes to the shop; and what move_instrument raises.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    unit = queries.get_open_unit(instrument)
    if unit and place != Custody.Place.BENCH:
        raise InstrumentOnAgreementError(instrument, unit.agreement)
    return move_instrument(
        instrument=instrument, place=place, reason=reason, acting_user=acting_user, now=now, location=location, school=school
    )


@transaction.atomic
def move_instrument(
    *,
    instrument: Instrument,
    place: str,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    location: Location | None = None,
    household: Any = None,
    school: Any = None,
) -> Custody:
    """Close the instrument's open custody and open the next one at `now`; return it.

    Shelf and bench need `location`, family needs `household`, school needs `school`. The instrument's row is locked, so of two
    people who move it at once the second is measured against where the first has put it.
    Raises InstrumentNotThereError (with what is possible), WorkOrderStillOpenError, MoveBeforeLastMoveError, RowsBusyError.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    here = Custody.objects.filter(instrument=instrument, ended_at=None).first()
    _check_move(instrument, here, place, location or household or school)
    return carry(
        instrument,
        here,
        now,
        place=place,
        location=location,
        household=household,
        school=school,
        reason=reason,
        moved_by=acting_user,
    )


@transaction.atomic
def hand_over(
    *, instrument: Instrument, household: Any, reason: str, acting_user: User, now: datetime.datetime
) -> Custody | None:
    """Let another household answer for an instrument that is with a family; return its new custody.

    None, and nothing moves, where it is not with a family (at the bench, say) or is that household's already. Raises
    MoveBeforeLastMoveError and RowsBusyError.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    here = Custody.objects.filter(instrument=instrument, ended_at=None, place=Custody.Place.FAMILY).first()
    if here is None or here.household_id == household.pk:
        return None
    return carry(instrument, here, now, place=Custody.Place.FAMILY, household=household, reason=reason, moved_by=acting_user)


def carry(instrument: Instrument, here: Custody | None, now: datetime.datetime, **custody: Any) -> Custody:
    """Close the open custody at `now` and open the next; what leaves the shop is not put aside any more.

    The last step of every move, its instrument locked. Raises MoveBeforeLastMoveError.
    """
    if here:
        if here.began_at > now:
            raise MoveBeforeLastMoveError(instrument, here.began_at)
        here.ended_at = now
        here.save(update_fields=["ended_at"])
    hold = queries.get_hold(instrument) if custody["place"] in GONE else None
    if hold:
        end_hold(hold, custody["moved_by"], now)
    return Custody.objects.create(instrument=instrument, began_at=now, **{**custody, "reason": custody["reason"][:160]})


def _check_move(instrument: Instrument, here: Custody | None, place: str, keeper: Any) -> None:
    from_place = str(here.place) if here else ""
    if not rules.may_go(from_place, place):
        raise InstrumentNotThereError(instrument, from_place, place)
    same_keeper = here and keeper and keeper.pk in {here.location_id, here.school_id}
    if from_place == place and same_keeper:
        raise InstrumentNotThereError(instrument, from_place, place)
    order = WorkOrder.objects.filter(instrument=instrument, closed_at=None).first() if from_place == "bench" else None
    if order and place not in {"bench", "lost"}:
        raise WorkOrderStillOpenError(instrument, order)

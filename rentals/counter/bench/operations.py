"""What the technician does to a scanned instrument, across the rooms that know about it. Each function is one transaction."""

import datetime
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from billing import repairs
from rentals.agreements import life
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, AgreementUnit
from rentals.families.models import Household
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, Location, WorkOrder
from rentals.runtime import locks
from rentals.staff.models import User


class LoanerUnknownError(Exception):
    """The loaner's tag names no instrument."""

    def __init__(self, tag: str) -> None:
        super().__init__(f"There is no instrument with the tag {tag}: scan the loaner's label again.")


class NobodyWaitsForItError(Exception):
    """The instrument is on no open agreement: there is no family to give it back to."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} is on no open agreement: put it on the shelf.")


@dataclass(frozen=True)
class TakenIn:
    """What taking in made: the work order, and the loaner that went out, if any."""

    order: WorkOrder
    loaner: Instrument | None


def _open_unit(instrument: Instrument, role: str) -> AgreementUnit:
    unit = AgreementUnit.objects.filter(instrument=instrument, ended_at=None, role=role).select_related("agreement").first()
    if unit is None:
        raise NobodyWaitsForItError(instrument)
    return unit


def usual_payer(instrument: Instrument, on: datetime.date) -> str:
    """Return who pays for a repair unless somebody says otherwise: protection where the agreement has it that day.

    Not decided yet for a family without it, the shop for what nobody rents.
    """
    unit = AgreementUnit.objects.filter(instrument=instrument, ended_at=None).select_related("agreement").first()
    if unit is None or unit.role == AgreementUnit.Role.LOANER:
        return WorkOrder.PaidBy.SHOP
    covered = life.is_protected(unit.agreement, on)
    return WorkOrder.PaidBy.PROTECTION if covered else WorkOrder.PaidBy.UNDECIDED


@transaction.atomic
def take_in(
    *,
    instrument: Instrument,
    problem: str,
    location: Location,
    loaner_tag: str,
    acting_user: User,
    now: datetime.datetime,
    problem_kind: str = "",
    again_for: WorkOrder | None = None,
    promised_on: datetime.date | None = None,
    intake: fleet.Intake | None = None,
) -> TakenIn:
    """Take an instrument in to the shop with what is wrong; its agreement stays open, and a loaner may go out on it.

    Raises LoanerUnknownError, NobodyWaitsForItError, and what opening a work order and lending raise.
    """
    order = fleet.open_work_order(
        instrument=instrument,
        paid_by=usual_payer(instrument, timezone.localdate(now)),
        again_for=again_for,
        kind=WorkOrder.Kind.REPAIR,
        problem_kind=problem_kind,
        problem=problem,
        promised_on=promised_on,
        intake=intake,
        location=location,
        acting_user=acting_user,
        now=now,
    )
    if not loaner_tag:
        return TakenIn(order, None)
    loaner = queries.get_by_tag(loaner_tag)
    if loaner is None:
        raise LoanerUnknownError(loaner_tag)
    unit = _open_unit(instrument, AgreementUnit.Role.RENTED)
    agreements.assign_loaner(agreement=unit.agreement, instrument=loaner, acting_user=acting_user, now=now)
    return TakenIn(order, loaner)


@transaction.atomic
def put_on_shelf(
    *, instrument: Instrument, work_done: str, location: Location, acting_user: User, now: datetime.datetime, grade: str = ""
) -> Custody:
    """Close the open work order, if any, note the condition it leaves in, and put the instrument on the shelf.

    Raises InstrumentOnAgreementError for one that a family still rents, and what moving raises.
    """
    _close_work(instrument, work_done, grade, acting_user=acting_user, now=now)
    return fleet.move_by_hand(
        instrument=instrument,
        place=Custody.Place.SHELF,
        location=location,
        reason=work_done or "Out of the shop",
        acting_user=acting_user,
        now=now,
    )


@transaction.atomic
def hand_back(
    *,
    instrument: Instrument,
    work_done: str,
    loaner_is_back: bool,
    location: Location,
    acting_user: User,
    now: datetime.datetime,
    grade: str = "",
) -> Custody:
    """Close the open work order, if any, and give the instrument back to the family that rents it.

    What the family pays for the repair is charged to it in the same transaction. The loaner, when it came back, goes to the shelf
    at `location`. Raises NobodyWaitsForItError, RepairChargedError, and what closing and moving raise.
    """
    unit = _open_unit(instrument, AgreementUnit.Role.RENTED)
    agreement = unit.agreement
    locks.lock_rows(Household.objects.filter(pk=agreement.household_id), Agreement.objects.filter(pk=agreement.pk))
    _close_work(instrument, work_done, grade, acting_user=acting_user, now=now)
    for order in repairs.list_uncharged(instrument, since=unit.began_at):
        repairs.charge_repair(order=order, agreement=agreement, acting_user=acting_user, now=now)
    if loaner_is_back:
        agreements.return_loaner(agreement=unit.agreement, location=location, acting_user=acting_user, now=now)
    return fleet.move_instrument(
        instrument=instrument,
        place=Custody.Place.FAMILY,
        household=unit.agreement.household,
        reason=f"Back to the family: {work_done}" if work_done else "Back to the family",
        acting_user=acting_user,
        now=now,
    )


@transaction.atomic
def take_loaner_back(*, instrument: Instrument, location: Location, acting_user: User, now: datetime.datetime) -> AgreementUnit:
    """Take a loaner back onto the shelf at `location`; the agreement stays open. Raises NobodyWaitsForItError."""
    unit = _open_unit(instrument, AgreementUnit.Role.LOANER)
    return agreements.return_loaner(agreement=unit.agreement, location=location, acting_user=acting_user, now=now)


def _close_work(instrument: Instrument, work_done: str, grade: str, *, acting_user: User, now: datetime.datetime) -> None:
    order = queries.get_open_work_order(instrument)
    if order is not None:
        fleet.close_work_order(order=order, work_done=work_done, grade=grade, acting_user=acting_user, now=now)
    elif grade:
        fleet.note_grade(instrument=instrument, grade=grade)

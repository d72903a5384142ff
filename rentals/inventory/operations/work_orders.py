"""Work orders opened and closed, and cleanings. Each function is one transaction, and may also be a step of a larger one."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from rentals.inventory import queries, work_rules
from rentals.inventory.models import Custody, Instrument, IntakeNote, Location, WorkEvent, WorkOrder
from rentals.inventory.operations.errors import WorkOrderAlreadyOpenError
from rentals.inventory.operations.instruments import move_instrument, note_grade
from rentals.inventory.operations.work_errors import NotReadyError, PayerNotDecidedError, StateNotPossibleError
from rentals.inventory.operations.work_states import check_warranty, go_on, lock_order
from rentals.runtime import locks
from rentals.staff.models import User
from rentals.staff.operations import take_number


@dataclass(frozen=True)
class Intake:
    """What was seen when the instrument came in: points of the condition check, and the parts that should be with it.

    `findings` are (what, "fine" | "worn" | "broken"); `parts` are (name, whether it came, whether it must come back).
    """

    findings: Sequence[tuple[str, str]] = ()
    parts: Sequence[tuple[str, bool, bool]] = ()


@transaction.atomic
def open_work_order(
    *,
    instrument: Instrument,
    kind: str,
    problem: str,
    location: Location,
    acting_user: User,
    now: datetime.datetime,
    problem_kind: str = "",
    paid_by: str = "",
    again_for: WorkOrder | None = None,
    promised_on: datetime.date | None = None,
    intake: Intake | None = None,
) -> WorkOrder:
    """Take the instrument to the bench at `location`, unless it is there, and open a work order on it.

    `paid_by` left out means the shop for its own fleet, and not decided yet for what a family rents; `again_for` means the
    warranty of our own work. Raises WorkOrderAlreadyOpenError, WarrantyNotPossibleError and whatever `move_instrument` raises.
    """
    locks.lock_one(Instrument.objects.filter(pk=instrument.pk))
    earlier = WorkOrder.objects.filter(instrument=instrument, closed_at=None).first()
    if earlier:
        raise WorkOrderAlreadyOpenError(instrument, earlier)
    if again_for is not None:
        check_warranty(instrument, again_for, _day(now))
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
    order = _new_order(
        instrument=instrument,
        kind=kind,
        problem=problem,
        problem_kind=problem_kind,
        paid_by=WorkOrder.PaidBy.WARRANTY if again_for else paid_by or _usual_payer(instrument),
        again_for=again_for,
        promised_on=promised_on,
        state_since=now,
        opened_at=now,
        opened_by=acting_user,
    )
    _note_intake(order, intake or Intake())
    _note_opening(order, now)
    return order


def _usual_payer(instrument: Instrument) -> str:
    return WorkOrder.PaidBy.UNDECIDED if queries.get_open_unit(instrument) else WorkOrder.PaidBy.SHOP


def _new_order(**facts: Any) -> WorkOrder:
    return WorkOrder.objects.create(number=f"W-{take_number('work_order'):05d}", **facts)


def _note_intake(order: WorkOrder, intake: Intake) -> None:
    notes = [
        IntakeNote(order=order, kind=IntakeNote.Kind.CHECK, what=what[:80], finding=finding) for what, finding in intake.findings
    ]
    notes += [
        IntakeNote(
            order=order,
            kind=IntakeNote.Kind.PART,
            what=what[:80],
            finding=IntakeNote.Finding.CAME if came else IntakeNote.Finding.MISSING,
            must_come_back=must,
        )
        for what, came, must in intake.parts
    ]
    IntakeNote.objects.bulk_create(notes)


def _note_opening(order: WorkOrder, now: datetime.datetime) -> None:
    WorkEvent.objects.create(order=order, at=now, by=order.opened_by, to_state=order.state, note=order.problem[:300], version=1)


@transaction.atomic
def close_work_order(
    *,
    order: WorkOrder,
    work_done: str,
    acting_user: User,
    now: datetime.datetime,
    grade: str = "",
    version: int | None = None,
) -> WorkOrder:
    """Close a work order with what was done, and the condition it leaves in; the instrument stays where it is.

    A cleaning that was done is noted on the instrument. Small work may be closed from the bench; what a family pays for
    must be ready.
    Raises WorkOrderClosedError, StateNotPossibleError, PayerNotDecidedError, NotReadyError, and what `lock_order` raises.
    """
    current = lock_order(order, version)
    if not work_rules.may_follow(current.state, WorkOrder.State.DONE):
        raise StateNotPossibleError(current, WorkOrder.State.DONE)
    if current.kind == WorkOrder.Kind.REPAIR and current.paid_by == WorkOrder.PaidBy.UNDECIDED:
        raise PayerNotDecidedError(current)
    if current.paid_by == WorkOrder.PaidBy.FAMILY and current.state != WorkOrder.State.READY:
        raise NotReadyError(current)
    go_on(
        current,
        WorkOrder.State.DONE,
        acting_user=acting_user,
        now=now,
        note=work_done,
        outcome=current.outcome or WorkOrder.Outcome.REPAIRED,
        closed_at=now,
        closed_by=acting_user,
        work_done=work_done,
    )
    if current.kind == WorkOrder.Kind.CLEANING and current.outcome == WorkOrder.Outcome.REPAIRED:
        Instrument.objects.filter(pk=order.instrument_id).update(last_cleaned_on=_day(now))
    if grade:
        note_grade(instrument=current.instrument, grade=grade)
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
        _new_order(
            instrument=current,
            kind=WorkOrder.Kind.CLEANING,
            paid_by=WorkOrder.PaidBy.SHOP,
            state=WorkOrder.State.DONE,
            state_since=now,
            outcome=WorkOrder.Outcome.REPAIRED,
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
    return timezone.localdate(now)

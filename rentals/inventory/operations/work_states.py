"""How a work order goes on: its states, who works on it, who pays, the playing test.

Each function is one transaction, or a step of a larger one.
"""

import datetime
from collections.abc import Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone

from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import Instrument, QualityCheck, WorkEvent, WorkOrder
from rentals.inventory.operations.errors import WorkOrderClosedError
from rentals.inventory.operations.work_errors import (
    ApprovalNeededError,
    PayerNotDecidedError,
    PlayingTestMissingError,
    ReasonMissingError,
    StateNotPossibleError,
    WarrantyNotPossibleError,
    WorkOrderChangedError,
)
from rentals.runtime import locks
from rentals.staff.models import User

State, PaidBy, Outcome = WorkOrder.State, WorkOrder.PaidBy, WorkOrder.Outcome


def lock_order(order: WorkOrder, version: int | None = None) -> WorkOrder:
    """Lock the instrument and its order, and return the order as it stands, if it is open and as its reader saw it.

    `version` None takes it as it is found. Raises WorkOrderChangedError, WorkOrderClosedError, RowsBusyError.
    """
    locks.lock_one(Instrument.objects.filter(pk=order.instrument_id), strength="no_key")
    current: WorkOrder = locks.lock_one(WorkOrder.objects.filter(pk=order.pk))
    if version is not None and current.version != version:
        events = WorkEvent.objects.filter(order=current, version__gt=version).select_related("by").order_by("version", "pk")
        raise WorkOrderChangedError(current, list(events))
    if not current.is_open:
        message = "This work order was closed already."
        raise WorkOrderClosedError(message)
    return current


def save_order(order: WorkOrder, fields: dict[str, Any]) -> None:
    """Write fields of a locked order and raise its version."""
    order.version += 1
    for name, value in fields.items():
        setattr(order, name, value)
    order.save(update_fields=[*fields, "version"])


def note_event(order: WorkOrder, kind: str, note: str, *, acting_user: User, now: datetime.datetime) -> WorkEvent:
    """Write a line into the history of a locked order that was just saved."""
    return WorkEvent.objects.create(order=order, kind=kind, at=now, by=acting_user, note=note[:300], version=order.version)


def go_on(
    order: WorkOrder,
    to: str,
    *,
    acting_user: User,
    now: datetime.datetime,
    note: str = "",
    **fields: Any,
) -> WorkOrder:
    """Bring a locked order to a state, with other fields that change with it, and write it down. Raises StateNotPossibleError."""
    came_from = str(order.state)
    if not work_rules.may_follow(came_from, to):
        raise StateNotPossibleError(order, to)
    outcome = fields.pop("outcome", "") if to in {State.READY, State.DONE} else ""
    save_order(order, {"state": to, "state_since": now, "outcome": outcome, **fields})
    WorkEvent.objects.create(
        order=order, at=now, by=acting_user, from_state=came_from, to_state=to, note=note[:300], version=order.version
    )
    return order


def check_may_begin(order: WorkOrder) -> None:
    """Raise unless work beyond looking may begin: somebody pays, and a family that pays has agreed.

    Raises PayerNotDecidedError, ApprovalNeededError.
    """
    if order.kind == WorkOrder.Kind.CLEANING:
        return
    if order.paid_by == PaidBy.UNDECIDED:
        raise PayerNotDecidedError(order)
    if order.paid_by != PaidBy.FAMILY:
        return
    waits = work_queries.get_open_estimate(order) is not None
    asked_first = work_queries.get_bench_setting().estimate_above == 0 and work_queries.get_approved(order) is None
    if waits or asked_first:
        raise ApprovalNeededError(order)


@transaction.atomic
def change_state(
    *,
    order: WorkOrder,
    to: str,
    acting_user: User,
    now: datetime.datetime,
    note: str = "",
    version: int | None = None,
) -> WorkOrder:
    """Bring an order to another state and return it. Closing is `close_work_order`; passing the test, `record_quality_check`.

    Going to Ready by this way means back unrepaired, and says why. Raises StateNotPossibleError, PayerNotDecidedError,
    ApprovalNeededError, PlayingTestMissingError, ReasonMissingError, and what `lock_order` raises.
    """
    current = lock_order(order, version)
    if to == State.DONE or not work_rules.may_follow(current.state, to):
        raise StateNotPossibleError(current, to)
    if to in {State.BENCH, State.CHECK, State.PARTS}:
        check_may_begin(current)
    if to == State.READY and current.state == State.CHECK and not note.strip():
        raise PlayingTestMissingError(current)
    if to == State.READY and not note.strip():
        message = "Write why it goes back unrepaired, in a few words."
        raise ReasonMissingError(message)
    if to == State.FAMILY and not note.strip() and work_queries.get_open_estimate(current) is None:
        message = "Write what the family is asked, or make an estimate."
        raise ReasonMissingError(message)
    outcome = Outcome.UNREPAIRED if to == State.READY else ""
    fields: dict[str, Any] = {"outcome": outcome}
    if to == State.BENCH and current.assigned_to_id is None:
        fields["assigned_to"] = acting_user
    return go_on(current, to, acting_user=acting_user, now=now, note=note.strip(), **fields)


@transaction.atomic
def assign_order(
    *,
    order: WorkOrder,
    assigned_to: User | None,
    promised_on: datetime.date | None,
    acting_user: User,
    now: datetime.datetime,
    version: int | None = None,
) -> WorkOrder:
    """Say who works on an order and for which day it is promised. Raises what `lock_order` raises."""
    current = lock_order(order, version)
    words = [f"For {assigned_to}" if assigned_to else "For nobody in particular"]
    words += [f"promised for {promised_on:%Y-%m-%d}"] if promised_on else []
    save_order(current, {"assigned_to": assigned_to, "promised_on": promised_on})
    note_event(current, WorkEvent.Kind.NOTE, ", ".join(words), acting_user=acting_user, now=now)
    return current


@transaction.atomic
def decide_payer(
    *,
    order: WorkOrder,
    paid_by: str,
    acting_user: User,
    now: datetime.datetime,
    again_for: WorkOrder | None = None,
    version: int | None = None,
) -> WorkOrder:
    """Say who pays for an order; the warranty of our own work names that work (`again_for`).

    Raises WarrantyNotPossibleError, and what `lock_order` raises.
    """
    current = lock_order(order, version)
    if paid_by == PaidBy.WARRANTY:
        again_for = again_for or current.again_for
        check_warranty(current.instrument, again_for, timezone.localdate(current.opened_at))
    label = PaidBy(paid_by).label
    save_order(current, {"paid_by": paid_by, "again_for": again_for if paid_by == PaidBy.WARRANTY else None})
    words = f"Pays: {label.lower()}" + (f" ({again_for.number})" if paid_by == PaidBy.WARRANTY and again_for else "")
    note_event(current, WorkEvent.Kind.DECISION, words, acting_user=acting_user, now=now)
    return current


def check_warranty(instrument: Instrument, earlier: WorkOrder | None, on: datetime.date) -> None:
    """Raise WarrantyNotPossibleError unless the shop still answers on a day for the earlier work on this instrument."""
    if earlier is None:
        message = "Choose the earlier work that the shop answers for."
        raise WarrantyNotPossibleError(message)
    if not work_queries.list_warranty_work(instrument, on=on).filter(pk=earlier.pk).exists():
        message = f"{earlier.number} is not work that the shop still answers for: choose who pays instead."
        raise WarrantyNotPossibleError(message)


@transaction.atomic
def record_quality_check(
    *,
    order: WorkOrder,
    points: Sequence[tuple[str, bool]],
    note: str,
    acting_user: User,
    now: datetime.datetime,
    version: int | None = None,
) -> QualityCheck:
    """Write down a playing test, point by point: with all right the order is ready, else it goes back to the bench.

    Raises StateNotPossibleError outside the quality check, ReasonMissingError, and what `lock_order` raises.
    """
    current = lock_order(order, version)
    passed = all(right for __, right in points)
    if current.state != State.CHECK:
        raise StateNotPossibleError(current, State.READY)
    if not points:
        message = "Say of each point whether it was right."
        raise ReasonMissingError(message)
    if not passed and not note.strip():
        message = "Write what was not right, so that the bench knows what to do."
        raise ReasonMissingError(message)
    test = QualityCheck.objects.create(
        order=current,
        tested_at=now,
        tested_by=acting_user,
        points=[[what, right] for what, right in points],
        passed=passed,
        note=note.strip()[:300],
    )
    words = "Playing test passed" if passed else f"Playing test failed: {note.strip()}"
    outcome = Outcome.REPAIRED if passed else ""
    go_on(current, State.READY if passed else State.BENCH, acting_user=acting_user, now=now, note=words, outcome=outcome)
    return test

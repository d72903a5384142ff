"""What a family that pays is asked, and what it answered. Each function is one transaction, or a step of a larger one."""

import datetime
from collections.abc import Sequence
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import Estimate, EstimateLine, WorkEvent, WorkOrder
from rentals.inventory.operations.work_errors import (
    EstimateDecidedError,
    EstimateOverError,
    FamilyDoesNotPayError,
    NothingEstimatedError,
    ReasonMissingError,
)
from rentals.inventory.operations.work_states import go_on, lock_order, note_event, save_order
from rentals.runtime import locks
from rentals.runtime.templatetags.office import day, money
from rentals.staff.models import User

Decision, State = Estimate.Decision, WorkOrder.State


@transaction.atomic
def make_estimate(
    *,
    order: WorkOrder,
    covers: str,
    lines: Sequence[tuple[str, Decimal]],
    acting_user: User,
    now: datetime.datetime,
    version: int | None = None,
) -> Estimate:
    """Write what a repair would come to, (what, price before tax) line by line; the order then waits for the family's answer.

    An estimate that still waits is withdrawn for it. Raises FamilyDoesNotPayError, NothingEstimatedError, StateNotPossibleError,
    and what `lock_order` raises.
    """
    current = lock_order(order, version)
    if current.paid_by != WorkOrder.PaidBy.FAMILY:
        raise FamilyDoesNotPayError(current)
    if not any(price for __, price in lines):
        raise NothingEstimatedError
    earlier = work_queries.get_open_estimate(current)
    if earlier is not None:
        _decide(earlier, Decision.WITHDRAWN, acting_user=acting_user, now=now)
    today = timezone.localdate(now)
    days = work_queries.get_bench_setting().estimate_days
    estimate = Estimate.objects.create(
        order=current,
        covers=covers,
        valid_until=work_rules.valid_until(made_on=today, days=days),
        made_at=now,
        made_by=acting_user,
    )
    EstimateLine.objects.bulk_create(
        EstimateLine(estimate=estimate, position=position, what=what, price=price)
        for position, (what, price) in enumerate(lines, 1)
    )
    note = f"Estimate of {money(work_queries.sum_estimate(estimate))}, good until {day(estimate.valid_until)}"
    if current.state == State.FAMILY:
        save_order(current, {})
        note_event(current, WorkEvent.Kind.DECISION, note, acting_user=acting_user, now=now)
    else:
        go_on(current, State.FAMILY, acting_user=acting_user, now=now, note=note)
    return estimate


@transaction.atomic
def decide_estimate(
    *,
    estimate: Estimate,
    decision: str,
    acting_user: User,
    now: datetime.datetime,
    way: str = "",
    who_said_so: str = "",
    version: int | None = None,
) -> Estimate:
    """Record the family's answer, how it came and who gave it. Approved, the work goes on; declined, it goes back unrepaired.

    Withdrawn by the shop, the order is to be looked at again. Raises EstimateDecidedError, EstimateOverError, ReasonMissingError,
    StateNotPossibleError, and what `lock_order` raises.
    """
    order = lock_order(estimate.order, version)
    current: Estimate = locks.lock_one(Estimate.objects.filter(pk=estimate.pk))
    if current.decision:
        raise EstimateDecidedError(current)
    if decision == Decision.APPROVED and timezone.localdate(now) > current.valid_until:
        raise EstimateOverError(current)
    if decision != Decision.WITHDRAWN and not (way and who_said_so.strip()):
        message = "Write who gave the answer, and how it came."
        raise ReasonMissingError(message)
    _decide(current, decision, acting_user=acting_user, now=now, way=way, who_said_so=who_said_so.strip())
    how = f", {current.get_decided_by_way_display().lower()}" if current.decided_by_way else ""
    note = f"{current.get_decision_display()}: {money(work_queries.sum_estimate(current))}{how}"
    state = {Decision.APPROVED: State.BENCH, Decision.DECLINED: State.READY, Decision.WITHDRAWN: State.LOOK}[Decision(decision)]
    if order.state == State.FAMILY:
        outcome = WorkOrder.Outcome.UNREPAIRED if state == State.READY else ""
        go_on(order, state, acting_user=acting_user, now=now, note=note, outcome=outcome)
    else:
        save_order(order, {})
        note_event(order, WorkEvent.Kind.DECISION, note, acting_user=acting_user, now=now)
    return current


def _decide(
    estimate: Estimate, decision: str, *, acting_user: User, now: datetime.datetime, way: str = "", who_said_so: str = ""
) -> None:
    facts = {
        "decision": decision,
        "decided_at": now,
        "decided_by_way": way,
        "who_said_so": who_said_so[:80],
        "recorded_by": acting_user,
    }
    for name, value in facts.items():
        setattr(estimate, name, value)
    estimate.save(update_fields=[*facts])

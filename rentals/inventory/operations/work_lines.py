"""What goes into a work order: labour and parts, at the day's rates. Each is one transaction, or a step of a larger one."""

import datetime

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import RepairPart, WorkEvent, WorkLine, WorkOrder
from rentals.inventory.operations.work_errors import PartsShortError, RateMissingError
from rentals.inventory.operations.work_states import lock_order, note_event, save_order
from rentals.staff.models import User


@transaction.atomic
def add_labour(
    *, order: WorkOrder, what: str, minutes: int, acting_user: User, now: datetime.datetime, version: int | None = None
) -> WorkLine:
    """Write down minutes at the bench, at the rates of today. Raises RateMissingError, and what `lock_order` raises."""
    current = lock_order(order, version)
    today = timezone.localdate(now)
    rate = work_queries.get_rate(today)
    if rate is None:
        raise RateMissingError(today)
    save_order(current, {})
    note_event(current, WorkEvent.Kind.NOTE, f"{minutes} minutes: {what}", acting_user=acting_user, now=now)
    return WorkLine.objects.create(
        order=current,
        kind=WorkLine.Kind.LABOUR,
        what=what,
        minutes=minutes,
        cost=work_rules.labour_amount(minutes, rate.cost_per_hour.amount),
        price=work_rules.labour_amount(minutes, rate.price_per_hour.amount),
        done_at=now,
        done_by=acting_user,
    )


@transaction.atomic
def use_part(
    *,
    order: WorkOrder,
    part: RepairPart,
    quantity: int,
    acting_user: User,
    now: datetime.datetime,
    version: int | None = None,
) -> WorkLine:
    """Take pieces of a part from stock into an order, at the cost and price of today.

    The stock goes down in one statement that asks whether it is enough, so of many at once nobody takes what is not there.
    Raises PartsShortError, and what `lock_order` raises.
    """
    current = lock_order(order, version)
    enough = RepairPart.objects.filter(pk=part.pk, on_hand__gte=quantity)
    taken = enough.update(on_hand=F("on_hand") - quantity, version=F("version") + 1)
    part.refresh_from_db()
    if not taken:
        raise PartsShortError(part, quantity)
    save_order(current, {})
    note_event(current, WorkEvent.Kind.NOTE, f"{quantity} × {part.name}", acting_user=acting_user, now=now)
    return WorkLine.objects.create(
        order=current,
        kind=WorkLine.Kind.PART,
        what=part.name,
        part=part,
        quantity=quantity,
        cost=work_rules.part_amount(quantity, part.cost.amount),
        price=work_rules.part_amount(quantity, part.price.amount),
        done_at=now,
        done_by=acting_user,
    )


@transaction.atomic
def take_line_off(*, line: WorkLine, acting_user: User, now: datetime.datetime, version: int | None = None) -> WorkOrder:
    """Take a line off an open order again; a part goes back into stock. Gone already, it is left so.

    Raises what `lock_order` raises.
    """
    current = lock_order(line.order, version)
    there = WorkLine.objects.filter(pk=line.pk, order=current).first()
    if there is None:
        return current
    if there.part_id is not None:
        stock = RepairPart.objects.filter(pk=there.part_id)
        stock.update(on_hand=F("on_hand") + there.quantity, version=F("version") + 1)
    there.delete()
    save_order(current, {})
    note_event(current, WorkEvent.Kind.NOTE, f"Taken off: {there.what}", acting_user=acting_user, now=now)
    return current

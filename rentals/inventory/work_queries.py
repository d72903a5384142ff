"""Reads of the bench that screens and operations share: what hangs on an order, rates, parts, warranty of own work."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import F, QuerySet, Sum

from rentals.inventory import work_rules
from rentals.inventory.models import BenchRate, BenchSetting, Estimate, Instrument, RepairPart, WorkEvent, WorkLine, WorkOrder
from rentals.runtime.money import ZERO


def get_bench_setting() -> BenchSetting:
    """Return how this bench works: the one row, or what holds until a manager saves it."""
    return BenchSetting.objects.first() or BenchSetting()


def get_rate(on: datetime.date) -> BenchRate | None:
    """Return the hourly rate that holds on a day, None before the first."""
    return BenchRate.objects.filter(from_on__lte=on).order_by("-from_on").first()


def list_parts_on_hand() -> QuerySet[RepairPart]:
    """Return the parts the bench keeps, by name."""
    return RepairPart.objects.filter(is_active=True).order_by("name")


def list_lines(order: WorkOrder) -> QuerySet[WorkLine]:
    """Return what went into an order, as it was done."""
    return WorkLine.objects.filter(order=order).select_related("done_by", "part")


def list_events(order: WorkOrder) -> QuerySet[WorkEvent]:
    """Return what happened to an order, newest first."""
    return WorkEvent.objects.filter(order=order).select_related("by").order_by("-version", "-pk")


def list_estimates(order: WorkOrder) -> QuerySet[Estimate]:
    """Return the estimates of an order with their lines, newest first."""
    found = Estimate.objects.filter(order=order).select_related("made_by", "recorded_by").prefetch_related("lines")
    return found.order_by("-made_at", "-pk")


@dataclass(frozen=True)
class Sums:
    """What an order comes to so far: cost to the shop, price to a family, minutes."""

    cost: Decimal
    price: Decimal
    minutes: int


def sum_lines(order: WorkOrder) -> Sums:
    """Return what the lines of an order come to."""
    totals = WorkLine.objects.filter(order=order).aggregate(cost=Sum("cost"), price=Sum("price"), minutes=Sum("minutes"))
    return Sums(totals["cost"] or ZERO, totals["price"] or ZERO, totals["minutes"] or 0)


def sum_estimate(estimate: Estimate) -> Decimal:
    """Return what the lines of an estimate come to, before tax."""
    return estimate.lines.aggregate(total=Sum("price"))["total"] or ZERO


def get_approved(order: WorkOrder) -> Decimal | None:
    """Return what the family agreed to last, before tax; None when it agreed to nothing."""
    newest = Estimate.objects.filter(order=order, decision=Estimate.Decision.APPROVED).order_by("-decided_at", "-pk").first()
    return None if newest is None else sum_estimate(newest)


def get_open_estimate(order: WorkOrder) -> Estimate | None:
    """Return the estimate that waits for the family's answer."""
    return Estimate.objects.filter(order=order, decision="").prefetch_related("lines").first()


def sum_family_pays(order: WorkOrder) -> Decimal:
    """Return what a family that pays is charged so far, before tax: never more than it agreed to or the shop's threshold."""
    threshold, approved = get_bench_setting().estimate_above, get_approved(order)
    return work_rules.family_pays(price=sum_lines(order).price, approved=approved, threshold=threshold)


def list_warranty_work(instrument: Instrument, *, on: datetime.date) -> QuerySet[WorkOrder]:
    """Return repairs of the instrument that left the bench repaired and that the shop still answers for, newest first."""
    since = on - datetime.timedelta(days=get_bench_setting().warranty_days)
    found = WorkOrder.objects.filter(
        instrument=instrument,
        kind=WorkOrder.Kind.REPAIR,
        outcome=WorkOrder.Outcome.REPAIRED,
        closed_at__date__gte=since,
        closed_at__date__lte=on,
    )
    return found.order_by("-closed_at", "-pk")


def find_warranty_work(instrument: Instrument, *, problem_kind: str, on: datetime.date) -> WorkOrder | None:
    """Return the newest repair of the same sort of problem that the shop still answers for, None when there is none."""
    if not problem_kind:
        return None
    return list_warranty_work(instrument, on=on).filter(problem_kind=problem_kind).first()


def list_open_orders() -> QuerySet[WorkOrder]:
    """Return the open orders with their instrument, who works on them and where they stand (`place_name`)."""
    found = WorkOrder.objects.filter(closed_at=None, instrument__custodies__ended_at=None)
    found = found.select_related("instrument__item__kind", "opened_by", "assigned_to")
    return found.annotate(place_name=F("instrument__custodies__location__name")).order_by("state_since", "pk")

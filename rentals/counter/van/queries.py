"""The driver's list: what is fetched and brought, by day and school. Of a student no more than the initials."""

import datetime
from dataclasses import dataclass

from rentals.agreements.models import AgreementUnit
from rentals.inventory.models import Custody, WorkOrder
from schools import errands
from schools.models import Errand, Load, Run, School


@dataclass(frozen=True)
class ErrandLine:
    """One errand as the driver reads it: whom to ask for, what stands in its way ("" when nothing does), and its run."""

    errand: Errand
    initials: str
    waits_for: str
    run: Run | None = None


@dataclass(frozen=True)
class Stop:
    """One school on one day."""

    on: datetime.date
    school: School
    lines: list[ErrandLine]


def list_stops(*, today: datetime.date, school_id: int | None = None) -> list[Stop]:
    """Return what lies ahead by day and school; five queries however much it is. What is not ready to be brought says why."""
    stops = errands.list_stops(today=today, school_id=school_id)
    units = [errand.instrument_id for stop in stops for errand in stop.errands]
    places = dict(Custody.objects.filter(ended_at=None, instrument__in=units).values_list("instrument", "place"))
    orders = {order.instrument_id: order for order in WorkOrder.objects.filter(closed_at=None, instrument__in=units)}
    rented = AgreementUnit.objects.filter(ended_at=None, instrument__in=units).select_related("agreement__student")
    initials = {unit.instrument_id: unit.agreement.student.initials for unit in rented}

    on_runs = Load.objects.filter(closed_at=None, instrument__in=units).select_related("run__driver")
    runs = {load.instrument_id: load.run for load in on_runs}

    def line(errand: Errand) -> ErrandLine:
        unit = errand.instrument_id
        return ErrandLine(
            errand, initials.get(unit, ""), _waits_for(errand, places.get(unit, ""), orders.get(unit)), runs.get(unit)
        )

    return [Stop(stop.on, stop.school, [line(errand) for errand in stop.errands]) for stop in stops]


def _waits_for(errand: Errand, place: str, order: WorkOrder | None) -> str:
    """Say why an instrument cannot go along yet, "" when it can."""
    if errand.kind == Errand.Kind.PICK_UP:
        return "" if place in {"family", "school"} else "Not there by the books: ask before the run"
    if place == "van":
        return ""
    if place not in {"bench", "shelf"}:
        return "Not in the shop by the books: look for it"
    if order is not None and order.state != WorkOrder.State.READY:
        return f"Its work is not done: {order.get_state_display().lower()}"
    return ""

"""The demo's delivery runs: yesterday's, done to the last scan, and tomorrow's, planned and put in order."""

import datetime
import uuid
from decimal import Decimal
from typing import Any

from rentals.counter.demo.history import Story
from rentals.counter.runs import operations
from rentals.counter.runs.operations import Handover
from rentals.inventory.models import Hold, Instrument
from rentals.staff.models import Role
from schools import errands, runs, spots
from schools.models import Errand, Load, Run, School

A_DAY = datetime.timedelta(days=1)


def drive(story: Story) -> None:
    """Write points down, drive yesterday's run, plan tomorrow's with what the schools wait for."""
    schools = list(School.objects.filter(is_active=True).order_by("pk")[:8])
    who: dict[str, Any] = {"acting_user": story.shop.people[Role.SPECIALIST.value], "now": story.now - A_DAY}
    for place, school in enumerate(schools):
        north, east = Decimal(place * 37 % 11) / 100, Decimal(place * 53 % 13) / 100
        spots.write_spot(of=school, latitude=Decimal("39.75") + north, longitude=Decimal("-89.70") + east, **who)
    spots.write_spot(of=story.shop.locations[0], latitude=Decimal("39.80"), longitude=Decimal("-89.65"), **who)
    _yesterday(story, schools[:3])
    _tomorrow(story)


def _plan(story: Story, on: datetime.date, notes: str, now: datetime.datetime) -> Run:
    return runs.plan_run(
        on=on,
        driver=story.shop.people[Role.TECHNICIAN.value],
        location=story.shop.locations[0],
        ends_at_shop=True,
        notes=notes,
        request_key=uuid.uuid4(),
        acting_user=story.shop.people[Role.SPECIALIST.value],
        now=now,
    )


def _yesterday(story: Story, schools: list[School]) -> None:
    """A spare instrument to each of three schools: one signed for, one left in the school's office, one brought home again."""
    now = story.now - A_DAY
    who: dict[str, Any] = {"acting_user": story.shop.people[Role.TECHNICIAN.value], "now": now}
    run = _plan(story, story.today - A_DAY, "", now)
    spare = Instrument.objects.filter(
        custodies__ended_at=None, custodies__place="shelf", custodies__began_at__lt=now, custodies__location=run.location
    ).exclude(pk__in=Hold.objects.filter(ended_at=None).values("instrument"))
    spare = spare.exclude(pk__in=Errand.objects.filter(ended_at=None).values("instrument"))
    for school, unit in zip(schools, spare.order_by("-pk")[: len(schools)], strict=False):
        asked = errands.ask_for(
            school=school, kind=Errand.Kind.DROP_OFF, instrument=unit, what="Spare for the class", wanted_from=run.on, **who
        )
        runs.add_errand(run=run, errand=asked)
    runs.put_in_order(run=run)
    loads = list(Load.objects.filter(run=run).select_related("instrument", "stop__run"))
    for load in loads:
        _scan(run, load, operations.IN_VAN, who)
    operations.leave(run=run, **who)
    for load, end in zip(loads, ("signed", "safe", "back"), strict=False):
        _scan(run, load, operations.AT_STOP, who)
        if end == "back":
            operations.not_done(load=load, why="School closed for the day", **who)
            _scan(run, load, operations.HOME, who)
        else:
            to = (
                Handover(receiver="Pat Lindgren") if end == "signed" else Handover(safe_place="School office, behind the counter")
            )
            operations.hand_over(stop=load.stop, to=to, key=uuid.uuid4(), **who)
    operations.finish_run(run=run, **who)


def _scan(run: Run, load: Load, step: str, who: dict[str, Any]) -> None:
    stop = load.stop if step == operations.AT_STOP else None
    operations.scan(run=run, step=step, stop=stop, code=load.instrument.asset_tag, key=uuid.uuid4(), **who)


def _tomorrow(story: Story) -> None:
    run = _plan(story, story.today + A_DAY, "Side door at the schools after three", story.now)
    for errand in runs.list_waiting(on=run.on)[0]:
        runs.add_errand(run=run, errand=errand)
    runs.put_in_order(run=run)

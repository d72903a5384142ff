"""Errands of the van: asked for, called off, done; and which lie ahead. What they move, moves higher up, in the counter."""

import datetime
from dataclasses import dataclass
from itertools import groupby
from typing import Any, TypeVar

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from rentals.inventory.models import Instrument
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from schools.calendar import closed_days
from schools.models import Errand, HomeErrand, Load, School
from schools.rules import next_van_day

Asked = TypeVar("Asked", Errand, HomeErrand)


class ErrandOpenError(Exception):
    """The instrument is on the van's list already."""

    def __init__(self, errand: Errand) -> None:
        self.errand = errand
        super().__init__(
            f"{errand.instrument} is on the van's list already: {errand.get_kind_display().lower()}, {errand.school}. "
            "Tick that one done or call it off first."
        )


class ErrandEndedError(Exception):
    """The errand was done or called off already."""

    def __init__(self, errand: Errand | HomeErrand) -> None:
        self.errand = errand
        super().__init__(f"{errand.instrument}: this errand is {errand.get_outcome_display().lower()} already.")


class HomeErrandOpenError(Exception):
    """The van brings or fetches the instrument at a family's door already."""

    def __init__(self, errand: HomeErrand) -> None:
        self.errand = errand
        super().__init__(
            f"{errand.instrument} waits for a run already: {errand.get_kind_display().lower()} at the family's door."
        )


class OnTheRunError(Exception):
    """What is on a run is dealt with there."""

    def __init__(self, load: Load) -> None:
        self.load = load
        run = load.run
        super().__init__(
            f"{load.instrument} is on the run of {run.on:%B} {run.on.day}: scan it off there, or strike it off that run first."
        )


class SchoolNotServedError(Exception):
    """The van goes to schools that we serve only."""

    def __init__(self, school: School) -> None:
        self.school = school
        super().__init__(f"We do not serve {school} any more: choose another school, or call the family.")


@transaction.atomic
def ask_for(
    *,
    school: School,
    kind: str,
    instrument: Instrument,
    what: str,
    wanted_from: datetime.date,
    acting_user: User,
    now: datetime.datetime,
) -> Errand:
    """Put an instrument on the list of the van's next run to a school from `wanted_from` on.

    Raises SchoolNotServedError, ErrandOpenError.
    """
    if not school.is_active:
        raise SchoolNotServedError(school)
    fields = {"school": school, "kind": kind, "instrument": instrument, "what": what.strip(), "wanted_from": wanted_from}
    try:
        with transaction.atomic():
            return Errand.objects.create(**fields, made_at=now, made_by=acting_user)
    except IntegrityError as error:
        earlier = get_open(instrument)
        if earlier is None:
            raise
        raise ErrandOpenError(earlier) from error


@transaction.atomic
def ask_for_home(*, household_id: int, acting_user: User, now: datetime.datetime, **facts: Any) -> HomeErrand:
    """Ask that the van brings an instrument to a family or fetches it there (`facts` as `HomeErrand` has them).

    Raises ErrandOpenError.
    """
    instrument = facts["instrument"]
    try:
        with transaction.atomic():
            return HomeErrand.objects.create(household_id=household_id, made_at=now, made_by=acting_user, **facts)
    except IntegrityError as error:
        earlier = HomeErrand.objects.filter(instrument=instrument, ended_at=None).select_related("instrument").first()
        if earlier is None:
            raise
        raise HomeErrandOpenError(earlier) from error


@transaction.atomic
def end(*, errand: Asked, outcome: str, acting_user: User, now: datetime.datetime) -> Asked:
    """End an errand as done or called off; nothing moves here. Raises ErrandEndedError."""
    current: Asked = lock_one(type(errand)._default_manager.filter(pk=errand.pk))
    if current.ended_at:
        raise ErrandEndedError(current)
    current.outcome, current.ended_at, current.ended_by = outcome, now, acting_user
    current.save(update_fields=["outcome", "ended_at", "ended_by"])
    return current


@transaction.atomic
def call_off(*, errand: Asked, acting_user: User, now: datetime.datetime) -> Asked:
    """Call an errand off that is on no run. Raises ErrandEndedError, OnTheRunError."""
    refuse_on_run(errand)
    return end(errand=errand, outcome=Errand.Outcome.CALLED_OFF, acting_user=acting_user, now=now)


@transaction.atomic
def put_off(*, errand: Errand | HomeErrand, wanted_from: datetime.date) -> None:
    """Let an errand that a run left undone wait for a day from `wanted_from` on."""
    current = lock_one(type(errand)._default_manager.filter(pk=errand.pk))
    current.wanted_from = max(current.wanted_from, wanted_from)
    current.save(update_fields=["wanted_from"])


def refuse_on_run(errand: Errand | HomeErrand) -> None:
    """Raise OnTheRunError while an errand is on a run: there it is ticked off, or struck off."""
    load = errand.loads.filter(closed_at=None).select_related("run", "instrument").first()
    if load is not None:
        raise OnTheRunError(load)


@transaction.atomic
def take_up_again(*, errand: Errand, acting_user: User) -> Errand:
    """Put an errand that was called off by mistake back on the list. Raises ErrandOpenError when another took its place."""
    current: Errand = lock_one(Errand.objects.filter(pk=errand.pk))
    if current.outcome == Errand.Outcome.CALLED_OFF:
        other = get_open(current.instrument)
        if other is not None:
            raise ErrandOpenError(other)
        current.outcome, current.ended_at, current.ended_by = "", None, None
        current.save(update_fields=["outcome", "ended_at", "ended_by"])
    return current


def get_open(instrument: Instrument) -> Errand | None:
    """Return the open errand of an instrument, None when there is none."""
    return list_open().filter(instrument=instrument).first()


def list_open() -> QuerySet[Errand]:
    """Return the open errands with school, instrument and kind, the longest wanted first."""
    found = Errand.objects.filter(ended_at=None).select_related("school", "instrument__item__kind", "made_by")
    return found.order_by("wanted_from", "school__name", "pk")


@dataclass(frozen=True)
class VanStop:
    """What one run does at one school on one day."""

    on: datetime.date
    school: School
    errands: list[Errand]


def list_stops(*, today: datetime.date, school_id: int | None = None) -> list[VanStop]:
    """List what lies ahead by day and school; what an earlier run left undone comes along on its next day. Two queries."""
    errands = list_open() if school_id is None else list_open().filter(school=school_id)
    closed = closed_days((errand.school for errand in errands), today=today)
    dated = [(_van_day(errand, today, closed[errand.school_id]), errand) for errand in errands]
    dated.sort(key=lambda pair: (pair[0], pair[1].school.name, pair[1].kind, pair[1].pk))
    grouped = groupby(dated, key=lambda pair: (pair[0], pair[1].school.name))
    stops = []
    for (on, _), pairs in grouped:
        rows = [errand for _, errand in pairs]
        stops.append(VanStop(on, rows[0].school, rows))
    return stops


def next_day_of(errand: Errand, *, today: datetime.date) -> datetime.date:
    """Return the day on which the van takes this along; it goes by a day without school."""
    return _van_day(errand, today, closed_days([errand.school], today=today)[errand.school_id])


def _van_day(errand: Errand, today: datetime.date, closed: frozenset[datetime.date]) -> datetime.date:
    weekday = errand.school.delivery_weekday
    return next_van_day(weekday=weekday, wanted_from=errand.wanted_from, today=today, closed=closed)

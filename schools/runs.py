"""Delivery runs planned: opened, filled with what waits, put in order, called off. What moves with them, moves in the counter."""

import datetime
from itertools import pairwise
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from rentals.inventory.models import Location
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import phone
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools import errands, routing, spots
from schools.models import Director, Errand, HomeErrand, Load, Run, School, Stop


class DriverHasRunError(Exception):
    """The driver has a run on that day already."""

    def __init__(self, run: Run) -> None:
        self.run = run
        super().__init__(f"{run.driver.name} has a run on that day already: put it on that one, or choose another driver.")


class RunOverError(Exception):
    """Nothing changes on a run that is over."""

    def __init__(self, run: Run) -> None:
        self.run = run
        super().__init__(f"This run is {run.get_state_display().lower()}: nothing on it changes any more.")


class RunChangedError(Exception):
    """Somebody changed the run since it was looked at."""

    def __init__(self) -> None:
        super().__init__(
            "Somebody changed this run meanwhile. It is shown as it is now: look at it, and do it again if it is still right."
        )


class OnRunError(Exception):
    """The instrument is on a run already."""

    def __init__(self, load: Load) -> None:
        self.load = load
        super().__init__(
            f"{load.instrument} is on the run of {load.run.on:%B} {load.run.on.day} already: take it off there first."
        )


class LoadedError(Exception):
    """What is in the van, or was handed over, cannot be struck off."""

    def __init__(self, tag: str) -> None:
        super().__init__(f"{tag} is in the van or was dealt with: scan it off, or bring it back to the shop.")


class CannotCallOffError(Exception):
    """A run with something in the van is finished, not called off."""

    def __init__(self, tags: list[str]) -> None:
        super().__init__(f"In the van already: {', '.join(tags)}. Bring it back to the shop first, then call the run off.")


@transaction.atomic
def plan_run(
    *,
    on: datetime.date,
    driver: User,
    location: Location,
    ends_at_shop: bool,
    notes: str,
    request_key: UUID,
    acting_user: User,
    now: datetime.datetime,
) -> Run:
    """Open a run; sent again with the same key it is the same run. Raises DriverHasRunError, RequestKeyReusedError."""
    facts = {"on": on, "driver": driver.pk, "location": location.pk, "ends_at_shop": ends_at_shop, "notes": notes}
    done = claim_request(key=request_key, purpose="plan_run", request=facts, acting_user=acting_user)
    if done is not None:
        return Run.objects.get(pk=done["run"])
    try:
        with transaction.atomic():
            run = Run.objects.create(
                on=on, driver=driver, location=location, ends_at_shop=ends_at_shop, notes=notes, made_at=now, made_by=acting_user
            )
    except IntegrityError as error:
        earlier = Run.objects.filter(on=on, driver=driver, state__in=["planned", "under_way"]).select_related("driver").first()
        if earlier is None:
            raise
        raise DriverHasRunError(earlier) from error
    keep_answer(key=request_key, answer={"run": run.pk})
    return run


def lock_run(run: Run, *, version: int | None = None) -> Run:
    """Lock a run and count it on, so that two people take turns. Raises RunOverError; RunChangedError when `version` is stale."""
    current: Run = lock_one(Run.objects.select_related("location", "driver").filter(pk=run.pk))
    if current.is_over:
        raise RunOverError(current)
    if version is not None and current.version != version:
        raise RunChangedError
    current.version += 1
    current.save(update_fields=["version"])
    return current


@transaction.atomic
def add_errand(*, run: Run, errand: Errand) -> Load:
    """Put a school's errand on a run, at the stop of its school. Raises RunOverError, OnRunError, ErrandEndedError."""
    current = lock_run(run)
    asked: Errand = lock_one(Errand.objects.select_related("school", "instrument").filter(pk=errand.pk))
    if asked.ended_at:
        raise errands.ErrandEndedError(asked)
    school = asked.school
    stop = Stop.objects.filter(run=current, school=school).first() or _add_stop(
        current,
        kind=Stop.Kind.SCHOOL,
        school=school,
        name=school.name,
        address=f"{school.street}, {school.city}, {school.state} {school.postal_code}",
        postal_code=school.postal_code,
        contact=_contact_at(school, current.on),
    )
    task = Load.Task.FETCH_REPAIR if asked.kind == Errand.Kind.PICK_UP else Load.Task.DELIVER
    return _add_load(stop, errand=asked, instrument=asked.instrument, task=task, what=asked.what)


@transaction.atomic
def add_home_errand(*, run: Run, errand: HomeErrand, initials: str) -> Load:
    """Put a family's errand on a run, at its door; the list names the household's number and the student's initials only.

    Raises RunOverError, OnRunError, ErrandEndedError.
    """
    current = lock_run(run)
    asked: HomeErrand = lock_one(HomeErrand.objects.select_related("household", "instrument").filter(pk=errand.pk))
    if asked.ended_at:
        raise errands.ErrandEndedError(asked)
    home = asked.household
    written = asked.address or " ".join(f"{home.street} {home.unit}, {home.city}, {home.state} {home.postal_code}".split())
    address = written.replace(" ,", ",")
    stop = Stop.objects.filter(run=current, household=home, address=address).first() or _add_stop(
        current,
        kind=Stop.Kind.WORK if asked.at_work else Stop.Kind.HOME,
        household=home,
        name=f"{home.number} {initials}".strip(),
        address=address,
        postal_code="" if asked.address else home.postal_code,
        safe_place=asked.safe_place,
    )
    if asked.kind == Errand.Kind.DROP_OFF:
        task = Load.Task.DELIVER
    else:
        task = Load.Task.FETCH_RETURN if asked.is_return else Load.Task.FETCH_REPAIR
    return _add_load(stop, home_errand=asked, instrument=asked.instrument, task=task, what=asked.what)


def _contact_at(school: School, on: datetime.date) -> str:
    """Return whom the driver asks for at a school: a director in office that day, one with a telephone first."""
    there = Director.objects.filter(programmes__school=school).filter(Q(since_on=None) | Q(since_on__lte=on))
    in_office = there.filter(Q(until_on=None) | Q(until_on__gte=on)).order_by("name", "pk")
    director = in_office.exclude(phone="").first() or in_office.first()
    if director is None:
        return ""
    return f"Ask for {director.name}{f', {phone(director.phone)}' if director.phone else ''}"[:120]


def _add_stop(run: Run, **facts: Any) -> Stop:
    stops = list(Stop.objects.filter(run=run))
    order = max((stop.order for stop in stops), default=0) + 1
    last = next((stop for stop in stops if stop.pinned == Stop.Pinned.LAST), None)
    if last is not None:
        order, last.order = last.order, order
        last.save(update_fields=["order"])
    return Stop.objects.create(run=run, order=order, **facts)


def _add_load(stop: Stop, **facts: Any) -> Load:
    try:
        with transaction.atomic():
            return Load.objects.create(run_id=stop.run_id, stop=stop, **facts)
    except IntegrityError as error:
        other = get_open_load(facts["instrument"].pk)
        if other is None:
            raise
        raise OnRunError(other) from error


@transaction.atomic
def strike_off(*, load: Load, version: int | None = None) -> None:
    """Take something off a run that is not in the van yet; what was asked for waits again. Raises RunOverError, LoadedError."""
    lock_run(load.run, version=version)
    current: Load = lock_one(Load.objects.select_related("instrument", "stop").filter(pk=load.pk))
    if current.loaded_at or current.outcome:
        raise LoadedError(current.instrument.asset_tag)
    stop = current.stop
    current.delete()
    if not stop.loads.exists():
        stop.delete()


@transaction.atomic
def move_stop(*, stop: Stop, by: int, version: int | None = None) -> None:
    """Move a stop one place up (-1) or down (1); at the end it stays. A stop moved by hand is held first or last no more."""
    run = lock_run(stop.run, version=version)
    stops = list(Stop.objects.filter(run=run).order_by("order"))
    at = next(place for place, each in enumerate(stops) if each.pk == stop.pk)
    there = at + by
    if 0 <= there < len(stops):
        for each in (stops[at], stops[there]):
            each.pinned = ""
        stops[at], stops[there] = stops[there], stops[at]
        _renumber(stops)


@transaction.atomic
def pin_stop(*, stop: Stop, pinned: str, version: int | None = None) -> None:
    """Hold a stop first or last ("" lets it go); it takes that place at once, and no other is held there any more."""
    run = lock_run(stop.run, version=version)
    if pinned:
        Stop.objects.filter(run=run, pinned=pinned).update(pinned="")
    Stop.objects.filter(pk=stop.pk).update(pinned=pinned)
    stops = list(Stop.objects.filter(run=run).order_by("order"))
    _renumber(sorted(stops, key=lambda each: {"first": -1, "": 0, "last": 1}[each.pinned]))


def _renumber(stops: list[Stop]) -> None:
    """Number stops from one in this order; the database looks at the end of the transaction whether two have one place."""
    for place, stop in enumerate(stops, start=1):
        stop.order = place
    Stop.objects.bulk_update([stop for stop in stops if not stop.pinned], ["order", "pinned"])
    Stop.objects.bulk_update([stop for stop in stops if stop.pinned], ["order", "pinned"])


def order_of(run: Run) -> routing.Ordering:
    """Work out a good order of a run's stops; nothing changes. Raises TooManyStopsError."""
    stops = list(Stop.objects.filter(run=run).select_related("school__spot", "household__spot").order_by("order"))
    held = {stop.pinned: stop.pk for stop in stops if stop.pinned}
    places = [routing.Place(stop.pk, spots.point_of(stop), stop.postal_code) for stop in stops]
    shop = spots.point_at(run.location)
    return routing.put_in_order(shop, places, is_closed=run.ends_at_shop, first=held.get("first"), last=held.get("last"))


@transaction.atomic
def put_in_order(*, run: Run, version: int | None = None) -> routing.Ordering:
    """Put a run's stops in a good order and say how long it was and is.

    Raises RunOverError, RunChangedError, TooManyStopsError.
    """
    current = lock_run(run, version=version)
    found = order_of(current)
    stops = {stop.pk: stop for stop in Stop.objects.filter(run=current)}
    _renumber([stops[key] for key in found.order])
    return found


def metres_of(run: Run, stops: list[Stop]) -> int | None:
    """Return how long a run is in this order, in metres by road as `routing` reckons; None where too few points are known."""
    points = [point for stop in stops if (point := spots.point_of(stop)) is not None]
    shop = spots.point_at(run.location)
    way = [*([shop] if shop else []), *points, *([shop] if shop and run.ends_at_shop else [])]
    if not points or len(way) < 2:
        return None
    return sum(routing.by_road(one, other) for one, other in pairwise(way))


@transaction.atomic
def call_off(*, run: Run, acting_user: User, now: datetime.datetime) -> Run:
    """Call a planned run off: what was on it waits again. Raises RunOverError, CannotCallOffError."""
    current = lock_run(run)
    aboard = [load.instrument.asset_tag for load in current.loads.filter(loaded_at__isnull=False).select_related("instrument")]
    if aboard or current.state != Run.State.PLANNED:
        raise CannotCallOffError(aboard)
    current.loads.filter(closed_at=None).update(
        outcome=Load.Outcome.LEFT_OUT, handed_at=now, handed_by=acting_user, closed_at=now
    )
    current.state, current.ended_at, current.ended_by = Run.State.CALLED_OFF, now, acting_user
    current.save(update_fields=["state", "ended_at", "ended_by"])
    return current


def get_open_load(instrument_id: int) -> Load | None:
    """Return the open load of an instrument with its run, None when it is on no run."""
    return Load.objects.filter(instrument=instrument_id, closed_at=None).select_related("run", "instrument").first()


def list_waiting(*, on: datetime.date) -> tuple[list[Errand], list[HomeErrand]]:
    """List what may go along on this day and is on no run yet: errands of schools, errands of families. Two queries."""
    free: Any = ~Q(instrument__in=Load.objects.filter(closed_at=None).values("instrument"))
    at_schools = errands.list_open().filter(free, wanted_from__lte=on)
    at_homes = HomeErrand.objects.filter(free, ended_at=None, wanted_from__lte=on)
    at_homes = at_homes.select_related("household", "instrument__item__kind").order_by("wanted_from", "pk")
    return list(at_schools), list(at_homes)


def list_runs() -> QuerySet[Run]:
    """Return all runs with driver and shop, the latest day first."""
    return Run.objects.select_related("driver", "location").order_by("-on", "pk")


def next_run_to(school: School) -> Run | None:
    """Return the next run that stops at a school and is not over, None when none is planned."""
    stops = Stop.objects.filter(school=school, run__state__in=[Run.State.PLANNED, Run.State.UNDER_WAY])
    stop = stops.select_related("run__driver").order_by("run__on", "run__pk").first()
    return stop.run if stop else None

"""A run as its pages show it: stops with their loads, initials only, what is where; and what waits to go along."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q

from rentals.agreements.models import AgreementGoods, AgreementUnit
from rentals.families.models import Guardian
from schools import runs, spots
from schools.models import Errand, HomeErrand, Load, Run, Stop


@dataclass(frozen=True)
class LoadLine:
    """One instrument at a stop: whom it is for in initials, what it says in a word with its tone."""

    load: Load
    initials: str
    word: str
    tone: str
    agreement_id: int | None = None

    @property
    def return_of(self) -> int | None:
        """The agreement whose return is still to be finished, once what the family gave back is in the shop."""
        came = self.load.task == Load.Task.FETCH_RETURN and self.load.outcome == Load.Outcome.FETCHED and self.load.closed_at
        return self.agreement_id if came else None


@dataclass(frozen=True)
class StopLine:
    """One stop with its instruments; `has_point` tells whether anybody wrote down where it lies."""

    stop: Stop
    lines: list[LoadLine]
    has_point: bool

    @property
    def open(self) -> int:
        """How many are not dealt with yet."""
        return sum(1 for line in self.lines if not line.load.outcome)

    @property
    def ready(self) -> int:
        """How many are scanned off and wait for a signature."""
        return sum(1 for line in self.lines if line.load.scanned_off_at and not line.load.outcome)


@dataclass(frozen=True)
class Sheet:
    """A run whole: its stops, how long it is in kilometers by road (None: not known), what is in the van."""

    run: Run
    stops: list[StopLine]
    metres: int | None
    aboard: list[LoadLine]
    has_shop_point: bool
    initials: dict[int, str]

    @property
    def miles(self) -> str:
        """The length in miles with one decimal, "" when it is not known."""
        return "" if self.metres is None else in_miles(self.metres)

    @property
    def loads(self) -> list[LoadLine]:
        """All instruments of the run."""
        return [line for stop in self.stops for line in stop.lines]

    @property
    def label_ids(self) -> str:
        """What the van takes along from the shop, as the printing of labels takes it."""
        return ",".join(str(line.load.instrument_id) for line in self.loads if not line.load.is_fetch)

    @property
    def without_point(self) -> list[StopLine]:
        """The stops that nobody wrote a point down for."""
        return [line for line in self.stops if not line.has_point]


def in_miles(metres: int) -> str:
    """Say a length in miles (1609.344 m, exactly) with one decimal.

    >>> in_miles(16093)
    '10.0'
    """
    return f"{metres / 1609.344:.1f}"


def get_sheet(run: Run, *, besides: Sequence[int] = ()) -> Sheet:
    """Return a run as its pages show it, with the initials for these instruments too. Three queries however many stops."""
    stops = list(Stop.objects.filter(run=run).select_related("school__spot", "household__spot").order_by("order"))
    loads = list(Load.objects.filter(run=run).select_related("instrument__item__kind").order_by("pk"))
    rented = _rented([*(load.instrument_id for load in loads), *besides])
    initials = {instrument: unit.agreement.student.initials for instrument, unit in rented.items()}
    by_stop: dict[int, list[LoadLine]] = {}
    for load in loads:
        unit = rented.get(load.instrument_id)
        line = LoadLine(load, initials.get(load.instrument_id, ""), *_word(load), unit.agreement_id if unit else None)
        by_stop.setdefault(load.stop_id, []).append(line)
    lines = [StopLine(stop, by_stop.get(stop.pk, []), spots.point_of(stop) is not None) for stop in stops]
    aboard = [line for stop in lines for line in stop.lines if line.load.is_in_van]
    has_shop_point = spots.point_at(run.location) is not None
    return Sheet(run, lines, runs.metres_of(run, stops), aboard, has_shop_point, initials)


def get_home_phone(stop: Stop) -> str:
    """Return the telephone of the family at a stop, "" at a school: for the driver's screen, never for paper. One query."""
    if stop.household_id is None:
        return ""
    primary = Guardian.objects.filter(household=stop.household_id, is_primary=True).values_list("phone", flat=True)
    return primary.first() or ""


def initials_of(instruments: list[int]) -> dict[int, str]:
    """Return the initials of the students who have these instruments on an agreement."""
    return {instrument: unit.agreement.student.initials for instrument, unit in _rented(instruments).items()}


def _rented(instruments: Sequence[int]) -> dict[int, AgreementUnit]:
    """Return the line of an open agreement on which each of these instruments is. One query."""
    rented = AgreementUnit.objects.filter(ended_at=None, instrument__in=instruments).select_related("agreement__student")
    return {unit.instrument_id: unit for unit in rented}


def kit_of(instruments: list[int]) -> dict[int, list[str]]:
    """Return what was sold with these instruments at signing ("2 Reeds"), by instrument. One query."""
    rented: Any = Q(agreement__units__ended_at=None, agreement__units__instrument__in=instruments)
    rows = AgreementGoods.objects.filter(rented).order_by("pk")
    found: dict[int, list[str]] = {}
    for unit, count, name in rows.values_list("agreement__units__instrument", "quantity", "product__name"):
        found.setdefault(unit, []).append(f"{count} {name}")
    return found


def _word(load: Load) -> tuple[str, str]:
    if load.outcome:
        good = load.outcome in {Load.Outcome.DELIVERED, Load.Outcome.SAFE_PLACE, Load.Outcome.FETCHED}
        return load.get_outcome_display(), "good" if good else "warn"
    if load.scanned_off_at:
        return "Waits for a signature", "warn"
    if load.loaded_at:
        return "In the van", "info"
    return ("To fetch", "info") if load.is_fetch else ("To load", "quiet")


@dataclass(frozen=True)
class Waiting:
    """Something that may go along: for whom, as initials."""

    errand: Errand | HomeErrand
    where: str
    initials: str
    value: str


def list_waiting(on: datetime.date) -> list[Waiting]:
    """List what may go along on a day and is on no run: of schools first, then of families. Three queries."""
    found = runs.list_waiting(on=on)
    return _as_waiting(*found, initials_of(_instruments(*found)))


def get_sheet_and_waiting(run: Run) -> tuple[Sheet, list[Waiting]]:
    """Return a run as its page shows it, and what may go along on its day. Five queries."""
    found = runs.list_waiting(on=run.on)
    sheet = get_sheet(run, besides=_instruments(*found))
    return sheet, _as_waiting(*found, sheet.initials)


def _instruments(at_schools: list[Errand], at_homes: list[HomeErrand]) -> list[int]:
    return [each.instrument_id for each in at_schools] + [each.instrument_id for each in at_homes]


def _as_waiting(at_schools: list[Errand], at_homes: list[HomeErrand], initials: dict[int, str]) -> list[Waiting]:
    found = [Waiting(each, each.school.name, initials.get(each.instrument_id, ""), f"school-{each.pk}") for each in at_schools]
    return found + [
        Waiting(
            each, f"Home {each.household.number}, {each.household.city}", initials.get(each.instrument_id, ""), f"home-{each.pk}"
        )
        for each in at_homes
    ]


def list_runs() -> tuple[list[Run], list[Run]]:
    """Return the runs ahead or under way, the nearest first, and the last hundred over; with counts of stops and loads."""
    counted = runs.list_runs().annotate(
        stop_count=Count("stops", distinct=True),
        load_count=Count("loads", distinct=True),
        open_count=Count("loads", distinct=True, filter=Q(loads__closed_at=None)),
    )
    ahead = counted.filter(state__in=[Run.State.PLANNED, Run.State.UNDER_WAY]).order_by("on", "pk")
    return list(ahead[:100]), list(counted.exclude(state__in=[Run.State.PLANNED, Run.State.UNDER_WAY])[:100])

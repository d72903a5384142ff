"""What the shelves have for the allotments of a week: which instruments each night gets, what is short, and the next best.

Models that directors approve come first; one on none of their lists (`wishes.NightLists`) is only ever a next best.
Nothing is written here. Nights of the same week take from the shelves one after the other, by day, so that none is counted twice.
"""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Exists, OuterRef

from rentals.inventory.models import CatalogueItem, Custody, Hold, Instrument
from rentals.inventory.queries import list_instruments, list_open_units
from rentals.inventory.queries.cleanings import with_cleaning_due
from rentals.inventory.reference import list_sizes
from schools.models import Allotment, AllotmentLine, Night, NightUnit
from schools.nights_allotment import list_lines
from schools.wishes import NightLists, lists_of_nights

WEEK = datetime.timedelta(days=6)
UNFIT = {Instrument.Grade.POOR}
"""What is not rented out before the bench has seen it."""
SHOWN = 6


@dataclass(frozen=True)
class Way:
    """A next best for what is short: in words, the instruments it would be, oldest idle first, and which of their models are on
    no director's list."""

    words: str
    units: list[Instrument]
    off_list: frozenset[int] = frozenset()

    @property
    def shown(self) -> list[Instrument]:
        """The first few."""
        return self.units[:SHOWN]

    @property
    def more(self) -> int:
        """How many are not shown."""
        return max(0, len(self.units) - SHOWN)


@dataclass
class Need:
    """A line of an allotment against the shelf: loaded so far, what is proposed to pick, what is short and the next best."""

    line: AllotmentLine
    loaded: int
    picks: list[Instrument] = field(default_factory=list)
    ways: list[Way] = field(default_factory=list)

    @property
    def to_load(self) -> int:
        """How many are still to be loaded."""
        return max(0, self.line.quantity - self.loaded)

    @property
    def short(self) -> int:
        """How many of them no shelf of the night's shop has."""
        return self.to_load - len(self.picks)


@dataclass(frozen=True)
class Stock:
    """The needs of one night, in the order of a score, what other nights of its week take, and its directors' lists of models."""

    needs: list[Need]
    others: list[tuple[Night, int]]
    lists: NightLists

    @property
    def short(self) -> list[Need]:
        """The lines that are short."""
        return [need for need in self.needs if need.short > 0]

    @property
    def picks(self) -> list[Instrument]:
        """Everything proposed to pick, by kind as it stands on the shelves."""
        return [unit for need in self.needs for unit in need.picks]


def get_stock(allotment: Allotment) -> Stock:
    """Return what the shelves have for an allotment, after the nights of its week that come before it. A handful of queries."""
    night = Night.objects.select_related("school", "location").get(pk=allotment.night_id)
    if night.is_over:
        return Stock(
            [Need(line, loaded) for line, loaded in _with_loaded([allotment])[allotment.pk]],
            [],
            lists_of_nights([night.pk])[night.pk],
        )
    week = list(
        Allotment.objects.filter(
            night__state__in=[Night.State.PLANNED, Night.State.OPEN], night__on__range=(night.on - WEEK, night.on + WEEK)
        )
        .select_related("night__school", "night__location")
        .order_by("night__on", "night__begins_at", "night__pk")
    )
    loaded = _with_loaded(week)
    lists = lists_of_nights(each.night_id for each in week)
    free = _Free(_list_free(night.on))
    others: list[tuple[Night, int]] = []
    needs: list[Need] = []
    for each in week:
        mine = each.pk == allotment.pk
        found = [Need(line, count) for line, count in loaded[each.pk]]
        for need in found:
            need.picks = free.take(need.line, each.night.location_id, need.to_load, lists[each.night_id])
        if mine:
            needs = found
        elif sum(len(need.picks) for need in found):
            others.append((each.night, sum(len(need.picks) for need in found)))
    for need in needs:
        if need.short > 0:
            need.ways = free.list_ways(need.line, night.location_id, lists[night.pk])
    return Stock(needs, others, lists[night.pk])


def _with_loaded(allotments: Sequence[Allotment]) -> dict[int, list[tuple[AllotmentLine, int]]]:
    """Return by allotment its lines, each with how many were loaded for it and did not come off again before the night."""
    counts: dict[int | None, int] = {}
    units = NightUnit.objects.filter(line__allotment__in=allotments).exclude(outcome=NightUnit.Outcome.BACK)
    for line_id in units.values_list("line", flat=True):
        counts[line_id] = counts.get(line_id, 0) + 1
    return {each.pk: [(line, counts.get(line.pk, 0)) for line in list_lines(each)] for each in allotments}


def _list_free(on: datetime.date) -> list[Any]:
    """Return what stands on a shelf and on no agreement, with `is_held` and `cleaning_due_on`; longest there first."""
    rows: Any = list_instruments()
    shelf = with_cleaning_due(rows.filter(here__place=Custody.Place.SHELF)).filter(
        ~Exists(list_open_units().filter(instrument=OuterRef("pk")))
    )
    held = Exists(Hold.objects.filter(ended_at=None, instrument=OuterRef("pk")))
    found = list(shelf.annotate(is_held=held).order_by("here__began_at", "asset_tag"))
    for unit in found:
        unit.needs_cleaning = unit.cleaning_due_on <= on
        unit.is_fit = not unit.needs_cleaning and not unit.is_held and unit.grade not in UNFIT
    return found


class _Free:
    """The instruments on the shelves, of which nights take one after the other."""

    def __init__(self, units: Iterable[Any]) -> None:
        self.units = list(units)
        self.taken: set[int] = set()

    def left(self, kind: str, **facts: Any) -> list[Any]:
        """List what is left of a kind with these facts."""
        return [
            unit
            for unit in self.units
            if unit.pk not in self.taken
            and unit.item.kind_id == kind
            and all((unit.item.size if name == "size" else getattr(unit, name)) == fact for name, fact in facts.items())
        ]

    def take(self, line: AllotmentLine, location: str, count: int, lists: NightLists) -> list[Instrument]:
        """Take up to `count` instruments for a line: at the shop, fit, for beginners, of a model that is approved where directors
        keep a list; what more of them approve first, then what is longest idle."""
        fit = [
            unit
            for unit in self.left(line.kind_id, size=line.size, is_fit=True)
            if unit.here.location_id == location and unit.item.tier == CatalogueItem.Tier.BEGINNER and not lists.is_off(unit.item)
        ]
        fit = sorted(fit, key=lambda unit: -(lists.says(unit.item) or 0))[:count]
        self.taken.update(unit.pk for unit in fit)
        return fit

    def list_ways(self, line: AllotmentLine, location: str, lists: NightLists) -> list[Way]:
        """List what could do instead, the least trouble first."""
        same = self.left(line.kind_id, size=line.size)
        here = [unit for unit in same if unit.here.location_id == location]
        due = [unit for unit in here if unit.needs_cleaning and not unit.is_held and unit.grade not in UNFIT]
        away = [unit for unit in same if unit.is_fit and unit.here.location_id != location]

        def approved(units: Iterable[Any]) -> list[Any]:
            return [unit for unit in units if not lists.is_off(unit.item)]

        def off(units: Iterable[Any]) -> list[Any]:
            return [unit for unit in units if lists.is_off(unit.item)]

        found = [
            ("Better tier, here", approved(unit for unit in here if unit.is_fit)),
            ("Here, after its cleaning", approved(due)),
            *_by_shop(approved(away)),
            ("Here, but of a model no director approves", off(unit for unit in here if unit.is_fit)),
            ("Here after its cleaning, but of a model no director approves", off(due)),
            *((f"{words}, but of a model no director approves", units) for words, units in _by_shop(off(away))),
        ]
        for size in neighbor_sizes(line.kind_id, line.size):
            units = self.left(line.kind_id, size=size, is_fit=True)
            found.append((f"Size {size}, here", [unit for unit in units if unit.here.location_id == location]))
        found.append(("Here but held for somebody", [unit for unit in here if unit.is_held]))
        found.append(("Here but in poor condition: the bench first", [u for u in here if u.grade in UNFIT and not u.is_held]))
        return [Way(words, units, frozenset(unit.pk for unit in off(units))) for words, units in found if units]


def _by_shop(units: Sequence[Any]) -> list[tuple[str, list[Any]]]:
    names = dict.fromkeys(unit.here.location.name for unit in units)
    return [(f"Fetch from {name}", [unit for unit in units if unit.here.location.name == name]) for name in names]


def neighbor_sizes(kind: str, size: str) -> list[str]:
    """List the sizes next to one, the smaller first: a size too small is only small, one too large is a strain.

    >>> neighbor_sizes("violin", "1/2"), neighbor_sizes("flute", "")
    (['1/4', '3/4'], [])
    """
    sizes = [row.size for row in list_sizes(kind)]
    if size not in sizes:
        return []
    place = sizes.index(size)
    return [sizes[other] for other in (place - 1, place + 1) if 0 <= other < len(sizes)]

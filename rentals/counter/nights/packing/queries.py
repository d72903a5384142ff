"""What the screens of the van show: promises to keep, what to pick and where, what is along, what came back."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rentals.agreements.models import UnitPromise
from rentals.counter.nights.packing.scans import is_substitute
from rentals.inventory.models import Instrument
from rentals.inventory.queries.labels import list_never_labelled
from schools.models import Allotment, Night, NightUnit
from schools.nights_allotment import list_kit
from schools.nights_stock import Stock, get_stock
from schools.wishes import lists_of_nights


@dataclass(frozen=True)
class Shelf:
    """What is to be picked of one kind at the shop, longest idle first."""

    name: str
    wanted: int
    short: int
    picks: Sequence[Instrument]


@dataclass(frozen=True)
class Along:
    """An instrument in the van: whether it stands in for another, and whether its model is on no director's list."""

    unit: NightUnit
    stands_in: bool
    is_off_list: bool


@dataclass(frozen=True)
class Packing:
    """The van of a night before it leaves."""

    night: Night
    allotment: Allotment | None
    promises: Sequence[UnitPromise]
    shelves: list[Shelf]
    kit: list[tuple[str, int]]
    along: list[Along]
    unlabelled: list[int]
    """Of what is along, the instruments that have no label of ours yet, by id."""

    @property
    def label_ids(self) -> str:
        """What is along, as the printing of labels takes it."""
        return ",".join(str(each.unit.instrument_id) for each in self.along)

    @property
    def unlabelled_ids(self) -> str:
        """What is along without a label, as the printing of labels takes it."""
        return ",".join(map(str, self.unlabelled))

    @property
    def to_load(self) -> int:
        """How many are still to load."""
        return sum(shelf.wanted for shelf in self.shelves)


def get_packing(night: Night) -> Packing:
    """Return what is to be packed for a night and what is along already; its number of queries does not grow with the van."""
    allotment = Allotment.objects.filter(night=night).select_related("packed_by").first()
    stock = get_stock(allotment) if allotment else Stock([], [], lists_of_nights([night.pk])[night.pk])
    shelves = [
        Shelf(f"{need.line.kind.name} {need.line.size}".strip(), need.to_load, max(0, need.short), need.picks)
        for need in stock.needs
        if need.to_load
    ]
    lines = [need.line for need in stock.needs]
    along = [
        Along(unit, bool(unit.line and is_substitute(unit.instrument, unit.line)), stock.lists.is_off(unit.instrument.item))
        for unit in _units(night).filter(ended_at=None)
    ]
    bare = set(list_never_labelled().filter(night_units__night=night, night_units__ended_at=None).values_list("pk", flat=True))
    return Packing(
        night=night,
        allotment=allotment,
        promises=list_promises(night),
        shelves=shelves,
        kit=list_kit(lines, list(night.programmes.all())),
        along=along,
        unlabelled=[each.unit.instrument_id for each in along if each.unit.instrument_id in bare],
    )


def list_promises(night: Night) -> list[UnitPromise]:
    """List the families of this night, and those promised something since, that still wait for an instrument, by school."""
    waiting = UnitPromise.objects.filter(settled_at=None).select_related(
        "agreement__student", "item__kind", "promised", "agreement__programme__school"
    )
    asked = waiting.filter(agreement__programme__in=night.programmes.all())
    return list(asked.order_by("item__kind__order", "made_at", "pk"))


def _units(night: Night) -> Any:
    rows = NightUnit.objects.filter(night=night).select_related("instrument__item__kind", "line__kind", "loaded_by", "ended_by")
    return rows.order_by("instrument__item__kind__order", "instrument__item__size", "instrument__asset_tag", "pk")


@dataclass(frozen=True)
class Return:
    """The van of a night when it is back: what is expected in it, what went to families, what is missing, what came off."""

    expected: list[NightUnit]
    given: list[NightUnit]
    missing: list[NightUnit]
    back: list[NightUnit]


def get_return(night: Night) -> Return:
    """Return what a night's van should hold and what became of the rest; who loaded one saw it last."""
    rows = list(_units(night))
    outcomes = NightUnit.Outcome
    return Return(
        expected=[unit for unit in rows if unit.ended_at is None],
        given=[unit for unit in rows if unit.outcome == outcomes.GIVEN],
        missing=[unit for unit in rows if unit.outcome == outcomes.MISSING],
        back=[unit for unit in rows if unit.outcome == outcomes.BACK],
    )

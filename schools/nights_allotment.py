"""The allotment of a night: proposed from what was counted, changed by hand. What the shelves have for it: `nights_stock`."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction

from rentals.inventory.models import InstrumentKind
from rentals.inventory.reference import list_sizes
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from schools.models import Allotment, AllotmentFigure, AllotmentLine, Night, Programme, RequiredItem
from schools.nights import lock_night
from schools.nights_figures import figures_of, keep, list_heard, place
from schools.nights_rules import MOST, Basis, Counted, check_level, level_of
from schools.nights_told import Plan, make_plan, propose

WEIGHT = 20
"""As many of its own families a school's pool counts unless somebody says otherwise (common practice, no source)."""
LEVEL = Decimal("0.9")


class AllotmentChangedError(Exception):
    """Somebody changed the allotment since it was seen."""

    def __init__(self, allotment: Allotment | None) -> None:
        self.allotment = allotment
        super().__init__(
            "Somebody changed this allotment while you were at it. The numbers are those of now: look, then save again."
        )


class AllotmentPackedError(Exception):
    """What is packed does not change."""

    def __init__(self, allotment: Allotment) -> None:
        self.allotment = allotment
        super().__init__("The van is packed, so its allotment stays as it is. Take the packing up again first.")


class LineExistsError(Exception):
    """The allotment has a line for this kind and size already."""

    def __init__(self, line: AllotmentLine) -> None:
        self.line = line
        super().__init__(f"{line.kind.name} {line.size}".strip() + " is on the list already: change its number there.")


@dataclass(frozen=True)
class History:
    """What was counted: sign-ups by (kind, size) of the asked programmes and of the pool, which pool that is, and since when."""

    own: Mapping[tuple[str, str], int]
    pooled: Mapping[tuple[str, str], int]
    pool: str
    counted_from: datetime.date

    @property
    def own_total(self) -> int:
        """Sign-ups of the asked programmes."""
        return sum(self.own.values())

    @property
    def pooled_total(self) -> int:
        """Sign-ups of the pool."""
        return sum(self.pooled.values())


@dataclass(frozen=True)
class Settings:
    """What a proposal goes by, as people chose it; with both costs given, the level follows from them."""

    families: int
    weight: int = WEIGHT
    level: Decimal = LEVEL
    short_cost: Decimal | None = None
    spare_cost: Decimal | None = None

    def settled_level(self) -> Decimal:
        """Return the level that holds. Raises BadLevelError."""
        if self.short_cost is not None and self.spare_cost is not None:
            return level_of(self.short_cost, self.spare_cost)
        return check_level(self.level)


def basis_of(allotment: Allotment) -> Basis:
    """Return what a kept proposal went by."""
    names = ("families", "weight", "level", "own_total", "pooled_total")
    return Basis(**{name: getattr(allotment, name) for name in names})


@transaction.atomic
def propose_allotment(
    *, night: Night, history: History, settings: Settings, version: int, acting_user: User, now: datetime.datetime
) -> Allotment:
    """Propose the allotment of a night, or propose it anew over the one of `version` (0: there is none yet); return it.

    What was changed by hand keeps its quantity; the proposal beside it is the new one. What the directors of the night's
    programmes told is read here and kept with it.
    Raises NightOverError, AllotmentChangedError, AllotmentPackedError, BadLevelError.
    """
    locked = lock_night(night)
    level = settings.settled_level()
    allotment = Allotment.objects.filter(night=locked).first()
    if (allotment.version if allotment else 0) != version:
        raise AllotmentChangedError(allotment)
    if allotment is None:
        allotment = Allotment(night=locked, version=0)
    elif allotment.packed_at:
        raise AllotmentPackedError(allotment)
    for name in ("families", "weight", "short_cost", "spare_cost"):
        setattr(allotment, name, getattr(settings, name))
    allotment.level, allotment.version = level, allotment.version + 1
    for name in ("own_total", "pooled_total", "pool", "counted_from"):
        setattr(allotment, name, getattr(history, name))
    allotment.proposed_at, allotment.proposed_by = now, acting_user
    allotment.save()
    cells = sorted({*history.own, *history.pooled})
    counts = [Counted(kind, size, history.own.get((kind, size), 0), history.pooled.get((kind, size), 0)) for kind, size in cells]
    heard = list_heard(locked)
    counts, uses = place(heard, counts)
    keep(allotment=allotment, heard=heard, uses=uses)
    _write_lines(allotment, counts)
    return allotment


def list_figures(allotment: Allotment) -> list[AllotmentFigure]:
    """Return what directors had told when an allotment was proposed, in the order of a score."""
    return list(allotment.figures.select_related("kind").order_by("kind__order", "kind__name", "pk"))


def plan_of(allotment: Allotment, lines: Sequence[AllotmentLine], figures: Sequence[AllotmentFigure]) -> Plan:
    """Return how a kept proposal shared the families; `lines` and `figures` are all it has."""
    counted = [line for line in lines if line.own or line.pooled or line.expected]
    counts = [Counted(line.kind_id, line.size, line.own, line.pooled) for line in counted]
    return make_plan(counts, basis_of(allotment), figures_of(figures))


def _write_lines(allotment: Allotment, counts: Sequence[Counted]) -> None:
    lines = {(line.kind_id, line.size): line for line in AllotmentLine.objects.filter(allotment=allotment)}
    made: list[AllotmentLine] = []
    changed: list[AllotmentLine] = []
    for found in propose(counts, basis_of(allotment), figures_of(list_figures(allotment))):
        key = (found.counted.kind, found.counted.size)
        line = lines.pop(key, None) or AllotmentLine(allotment=allotment, kind_id=key[0], size=key[1])
        line.own, line.pooled = found.counted.own, found.counted.pooled
        line.expected, line.whole, line.proposed = found.expected, found.whole, found.quantity
        if line.changed_by_id is None:
            line.quantity = found.quantity
        (changed if line.pk else made).append(line)
    for line in lines.values():  # on the list by hand, or no longer counted
        line.own = line.pooled = line.whole = line.proposed = 0
        line.expected = Decimal(0)
        line.quantity = line.quantity if line.changed_by_id else 0
        changed.append(line)
    AllotmentLine.objects.bulk_create(made)
    AllotmentLine.objects.bulk_update(changed, ["own", "pooled", "expected", "whole", "proposed", "quantity"])


@transaction.atomic
def change_quantities(
    *, allotment: Allotment, version: int, quantities: Mapping[int, int], acting_user: User, now: datetime.datetime
) -> Allotment:
    """Set quantities by hand, by line id; a line set back to its proposal is as proposed again. Return the allotment.

    Raises NightOverError, AllotmentChangedError, AllotmentPackedError.
    """
    current = _lock(allotment, version)
    changed = []
    for line in AllotmentLine.objects.filter(allotment=current, pk__in=list(quantities)):
        wanted = min(max(quantities[line.pk], 0), MOST)
        if wanted == line.quantity:
            continue
        by_hand = wanted != line.proposed
        line.quantity = wanted
        line.changed_at, line.changed_by = (now, acting_user) if by_hand else (None, None)
        changed.append(line)
    AllotmentLine.objects.bulk_update(changed, ["quantity", "changed_at", "changed_by"])
    return _next(current)


@transaction.atomic
def add_line(
    *,
    allotment: Allotment,
    version: int,
    kind: InstrumentKind,
    size: str,
    quantity: int,
    acting_user: User,
    now: datetime.datetime,
) -> AllotmentLine:
    """Put a kind and size on the list that nothing was counted of. Raises LineExistsError and what change_quantities raises."""
    current = _lock(allotment, version)
    there = AllotmentLine.objects.filter(allotment=current, kind=kind, size=size).select_related("kind").first()
    if there is not None:
        raise LineExistsError(there)
    line = AllotmentLine.objects.create(
        allotment=current, kind=kind, size=size, quantity=quantity, changed_at=now, changed_by=acting_user
    )
    _next(current)
    return line


def _lock(allotment: Allotment, version: int) -> Allotment:
    lock_night(Night(pk=allotment.night_id))
    current: Allotment = lock_one(Allotment.objects.filter(pk=allotment.pk))
    if current.version != version:
        raise AllotmentChangedError(current)
    if current.packed_at:
        raise AllotmentPackedError(current)
    return current


def _next(allotment: Allotment) -> Allotment:
    allotment.version += 1
    allotment.save(update_fields=["version"])
    return allotment


def score_order(line: AllotmentLine) -> tuple[object, ...]:
    """Order lines as a score does, sizes from small to large."""
    sizes = [row.size for row in list_sizes(line.kind_id)]
    return (line.kind.order, line.kind.name, sizes.index(line.size) if line.size in sizes else -1, line.size)


def list_lines(allotment: Allotment) -> list[AllotmentLine]:
    """Return the lines of an allotment with kind and who changed them, in the order of a score."""
    return sorted(allotment.lines.select_related("kind", "changed_by"), key=score_order)


def list_kit(lines: Sequence[AllotmentLine], programmes: Sequence[Programme]) -> list[tuple[str, int]]:
    """List the kit to take along, (product, how many): the greater list of the asked programmes, for every family expected."""
    asked: dict[tuple[str, str], tuple[str, int]] = {}
    rows = _required(programmes)
    for kind, sku, name, quantity in rows:
        before = asked.get((kind, sku), ("", 0))[1]
        asked[kind, sku] = (name, max(before, quantity))
    along: dict[str, int] = {}
    for line in lines:
        along[line.kind_id] = along.get(line.kind_id, 0) + line.whole
    kit: dict[str, int] = {}
    for (kind, _), (name, quantity) in asked.items():
        if along.get(kind):
            kit[name] = kit.get(name, 0) + quantity * along[kind]
    return sorted(kit.items())


def _required(programmes: Sequence[Programme]) -> list[tuple[str, str, str, int]]:
    items = RequiredItem.objects.filter(programme__in=programmes, product__is_active=True)
    return list(items.values_list("kind", "product", "product__name", "quantity"))

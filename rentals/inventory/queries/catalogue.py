"""The catalogue by family and kind, with how many instruments of each model there are and where they stand."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from django.db.models import Case, CharField, Count, Exists, F, OuterRef, Q, Value, When

from rentals.inventory.models import CatalogueItem, Custody, Hold, InstrumentKind
from rentals.inventory.reference import list_sizes

# Where instruments stand, in the columns of the catalogue; what is lost, sold or retired is in the fleet no more.
COLUMNS = {"shelf": "shelf", "bench": "shop", "van": "shelf", "family": "out", "school": "out"}


@dataclass
class Units:
    """How many instruments are free on a shelf, held there, out with families and schools, and in the shop."""

    shelf: int = 0
    held: int = 0
    out: int = 0
    shop: int = 0

    @property
    def all(self) -> int:
        """Everything that is in the fleet."""
        return self.shelf + self.held + self.out + self.shop


@dataclass
class KindGroup:
    """The models of one kind, and their instruments together."""

    kind: InstrumentKind
    rows: list[tuple[CatalogueItem, Units]] = field(default_factory=list)

    @property
    def units(self) -> Units:
        """The instruments of every model together."""
        names = ("shelf", "held", "out", "shop")
        return Units(**{name: sum(getattr(units, name) for _, units in self.rows) for name in names})


@dataclass
class FamilyGroup:
    """A family of instruments: woodwind, brass, strings, percussion."""

    code: str
    name: str
    kinds: list[KindGroup] = field(default_factory=list)


def count_units(kind: str = "") -> dict[int, Units]:
    """Count instruments by model and place, of one kind's code or of all, in one query."""
    open_rows = Custody.objects.filter(ended_at=None, place__in=COLUMNS)
    if kind:
        open_rows = open_rows.filter(instrument__item__kind=kind)
    held = Exists(Hold.objects.filter(ended_at=None, instrument=OuterRef("instrument")))
    column = Case(When(Q(held, place="shelf"), then=Value("held")), default=F("place"), output_field=CharField())
    counted = open_rows.annotate(column=column).values_list("instrument__item", "column").annotate(n=Count("pk")).order_by()
    sums: defaultdict[int, Counter[str]] = defaultdict(Counter)
    for item, place, count in counted:
        sums[item][COLUMNS.get(place, place)] += count
    return {item: Units(**found) for item, found in sums.items()}


def group_catalogue(items: Iterable[CatalogueItem], units: Mapping[int, Units]) -> list[FamilyGroup]:
    """Group models by family and kind in the order of a score; `units` by the model's key, as `count_units` returns them.

    Sizes come in their own order, smallest first. A kind without any model is left out.
    """
    families: dict[str, FamilyGroup] = {}
    kinds: dict[str, KindGroup] = {}
    for item in sorted(items, key=_score_order):
        group = families.setdefault(item.kind.family, FamilyGroup(item.kind.family, item.kind.get_family_display()))
        if item.kind_id not in kinds:
            kinds[item.kind_id] = KindGroup(item.kind)
            group.kinds.append(kinds[item.kind_id])
        kinds[item.kind_id].rows.append((item, units.get(item.pk, Units())))
    return list(families.values())


def _score_order(item: CatalogueItem) -> tuple[object, ...]:
    sizes = [row.size for row in list_sizes(item.kind_id)]
    place = sizes.index(item.size) if item.size in sizes else -1
    return (item.kind.order, item.tier != CatalogueItem.Tier.BEGINNER, item.maker, item.model, place)

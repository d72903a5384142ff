"""What the list of instruments may be narrowed to and sorted by, read from its address."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

from django.db.models import Q, QuerySet

from rentals.inventory.models import CatalogueItem, Custody, Instrument, InstrumentKind, Location
from rentals.inventory.queries import list_instruments
from rentals.inventory.queries.counts import list_missing
from rentals.inventory.reference import list_kinds, list_sizes

SORTS = {
    "tag": ("asset_tag",),
    "kind": ("item__kind__order", "item__maker", "item__model", "item__size"),
    "grade": ("grade",),
    "place": ("here__place", "here__location__name"),
    "since": ("here__began_at",),
}


@dataclass(frozen=True)
class InstrumentFilter:
    """The narrowing in force; unknown values in an address narrow nothing."""

    text: str = ""
    place: str = ""
    kind: str = ""
    size: str = ""
    grade: str = ""
    location: str = ""
    seen: str = ""
    sort: str = "tag"

    @classmethod
    def read(cls, query: Mapping[str, Any]) -> Self:
        """Read the narrowing from a query string."""
        given = {
            name: str(query.get(name, "")).replace("\0", "").strip()
            for name in ("text", "place", "kind", "size", "grade", "location", "seen", "sort")
        }
        if given["sort"].removeprefix("-") not in SORTS:
            given["sort"] = "tag"
        if given["place"] not in Custody.Place.values:
            given["place"] = ""
        return cls(**given)

    @property
    def is_narrowed(self) -> bool:
        """Whether anything is left out."""
        return bool(self.text or self.place or self.kind or self.size or self.grade or self.location or self.seen)

    def apply(self) -> QuerySet[Instrument]:
        """Return the instruments that remain, in order."""
        found: Any = list_instruments()
        exact = {
            "here__place": self.place,
            "item__kind": self.kind,
            "item__size": self.size,
            "grade": self.grade,
            "here__location": self.location,
        }
        found = found.filter(**{name: value for name, value in exact.items() if value})
        if self.seen == "missing":
            found = found.filter(pk__in=list_missing().values("instrument"))
        if self.text:
            found = found.filter(_matches(self.text))
        sign, keys = ("-", SORTS[self.sort[1:]]) if self.sort.startswith("-") else ("", SORTS[self.sort])
        ordered: QuerySet[Instrument] = found.order_by(*(sign + key for key in keys), "pk")
        return ordered

    def choices(self) -> list[dict[str, Any]]:
        """Return the select boxes above the list: name, label, options and the one in force."""
        sizes = [row.size for row in list_sizes(self.kind)] if self.kind else _all_sizes()
        boxes = [
            ("place", "Where", "Anywhere", Custody.Place.choices, self.place),
            ("location", "Shop", "Any shop", list(Location.objects.order_by("name").values_list("code", "name")), self.location),
            ("kind", "Kind", "All kinds", list(InstrumentKind.objects.values_list("code", "name")), self.kind),
            ("size", "Size", "All sizes", [(size, size) for size in sizes], self.size),
            ("grade", "Condition", "Any", Instrument.Grade.choices, self.grade),
            ("seen", "At counts", "Seen or not", [("missing", "Missing since a count")], self.seen),
        ]
        return [
            {"name": name, "label": label, "any": any_, "options": options, "chosen": chosen}
            for name, label, any_, options, chosen in boxes
        ]


def _matches(text: str) -> Q:
    """Match a piece of the tag or serial number, or words of maker and model; the catalogue is small and asked first."""
    items = CatalogueItem.objects.all()
    for word in text.split()[:5]:
        items = items.filter(Q(maker__icontains=word) | Q(model__icontains=word) | Q(kind__name__icontains=word))
    code = text.upper().replace(" ", "")
    return Q(asset_tag__contains=code) | Q(serial_number__contains=code) | Q(item__in=list(items.values_list("pk", flat=True)))


def _all_sizes() -> list[str]:
    return list(dict.fromkeys(row.size for kind in list_kinds() for row in list_sizes(kind.code)))

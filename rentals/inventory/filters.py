"""What the list of instruments may be narrowed to and sorted by, read from its address."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

from django.core.exceptions import ValidationError
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from rentals.inventory.custody_forms import active_schools
from rentals.inventory.models import CatalogueItem, Custody, Hold, Instrument, InstrumentKind, Location, PrintedLabel
from rentals.inventory.queries import list_instruments, list_open_units
from rentals.inventory.queries.counts import list_missing
from rentals.inventory.reference import list_kinds, list_sizes
from rentals.runtime.fields import DayField

SORTS = {
    "tag": ("asset_tag",),
    "kind": ("item__kind__order", "item__maker", "item__model", "item__size"),
    "grade": ("grade",),
    "place": ("here__place", "here__location__name"),
    "since": ("here__began_at",),
}


DAYS = ("acquired_from", "acquired_to", "idle_since")


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
    tier: str = ""
    school: str = ""
    held: str = ""
    label: str = ""
    acquired_from: str = ""
    acquired_to: str = ""
    idle_since: str = ""
    sort: str = "tag"

    @classmethod
    def read(cls, query: Mapping[str, Any]) -> Self:
        """Read the narrowing from a query string."""
        given = {name: str(query.get(name, "")).replace("\0", "").strip() for name in cls.__dataclass_fields__}
        known = {
            "place": Custody.Place.values,
            "tier": CatalogueItem.Tier.values,
            "held": ["yes", "no"],
            "label": ["never"],
            "seen": ["missing"],
        }
        given |= {name: "" for name, values in known.items() if given[name] not in values}
        given |= {name: "" for name in DAYS if read_day(given[name]) is None}
        if not (given["school"].isascii() and given["school"].isdigit() and len(given["school"]) < 10):
            given["school"] = ""
        if given["sort"].removeprefix("-") not in SORTS:
            given["sort"] = "tag"
        return cls(**given)

    @property
    def is_narrowed(self) -> bool:
        """Whether anything is left out."""
        return any(getattr(self, name) for name in self.__dataclass_fields__ if name != "sort")

    @property
    def is_narrowed_further(self) -> bool:
        """Whether one of the less usual boxes narrows it."""
        return any(getattr(self, name) for name in ("tier", "school", "held", "label", *DAYS))

    def apply(self) -> QuerySet[Instrument]:
        """Return the instruments that remain, in order."""
        found: Any = list_instruments()
        exact = {
            "here__place": self.place,
            "item__kind": self.kind,
            "item__size": self.size,
            "grade": self.grade,
            "here__location": self.location,
            "item__tier": self.tier,
            "acquired_on__gte": read_day(self.acquired_from),
            "acquired_on__lte": read_day(self.acquired_to),
        }
        found = found.filter(**{name: value for name, value in exact.items() if value}).filter(*self._further())
        if self.seen == "missing":
            found = found.filter(pk__in=list_missing().values("instrument"))
        if self.text:
            found = found.filter(_matches(self.text))
        sign, keys = ("-", SORTS[self.sort[1:]]) if self.sort.startswith("-") else ("", SORTS[self.sort])
        ordered: QuerySet[Instrument] = found.order_by(*(sign + key for key in keys), "pk")
        return ordered

    def _further(self) -> list[Any]:
        """Return what the less usual boxes ask for."""
        held = Exists(Hold.objects.filter(instrument=OuterRef("pk"), ended_at=None))
        printed = PrintedLabel.objects.filter(instrument=OuterRef("pk"), label_print__taken_back_at=None)
        asked: list[Any] = [held] if self.held == "yes" else [~held] if self.held == "no" else []
        if self.label == "never":
            asked = [*asked, ~Exists(printed)]
        if self.school:
            rented = list_open_units().filter(instrument=OuterRef("pk"), agreement__student__programme__school=int(self.school))
            asked = [*asked, Q(here__school=int(self.school)) | Exists(rented)]
        idle = read_day(self.idle_since)
        if idle:
            asked = [
                *asked,
                Q(here__place=Custody.Place.SHELF, here__began_at__lt=beginning_of(idle + datetime.timedelta(days=1))),
            ]
        return asked

    def days(self) -> list[dict[str, str]]:
        """Return the fields for days above the list: name, label and what is in force."""
        labels = ("Acquired from", "Acquired through", "On the shelf since, or longer")
        return [{"name": name, "label": label, "value": getattr(self, name)} for name, label in zip(DAYS, labels, strict=True)]

    def further_choices(self) -> list[dict[str, Any]]:
        """Return the less usual select boxes, as `choices` does."""
        schools = [(str(pk), name) for pk, name in active_schools().values_list("pk", "name")]
        boxes = [
            ("tier", "Made for", "Anybody", CatalogueItem.Tier.choices, self.tier),
            ("school", "School", "Any, or none", schools, self.school),
            ("held", "Held", "Held or not", [("yes", "Held"), ("no", "Not held")], self.held),
            ("label", "Label", "Printed or not", [("never", "Never printed")], self.label),
        ]
        return [
            {"name": name, "label": label, "any": any_, "options": options, "chosen": chosen}
            for name, label, any_, options, chosen in boxes
        ]

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


@dataclass(frozen=True)
class CatalogueFilter:
    """What the catalogue is narrowed to; unknown values in an address narrow nothing."""

    text: str = ""
    family: str = ""
    tier: str = ""
    offered: str = ""

    @classmethod
    def read(cls, query: Mapping[str, Any]) -> Self:
        """Read the narrowing from a query string."""
        given = {name: str(query.get(name, "")).replace("\0", "").strip()[:80] for name in cls.__dataclass_fields__}
        known = {"family": InstrumentKind.Family.values, "tier": CatalogueItem.Tier.values, "offered": ["yes", "no"]}
        return cls(**given | {name: "" for name, values in known.items() if given[name] not in values})

    @property
    def is_narrowed(self) -> bool:
        """Whether anything is left out."""
        return any(getattr(self, name) for name in self.__dataclass_fields__)

    def apply(self) -> QuerySet[CatalogueItem]:
        """Return the models that remain, with their kinds, in no order."""
        exact = {"kind__family": self.family, "tier": self.tier, "is_active": {"yes": True, "no": False}.get(self.offered, "")}
        items = CatalogueItem.objects.select_related("kind").filter(**{key: value for key, value in exact.items() if value != ""})
        for word in self.text.split()[:5]:
            named = Q(maker__icontains=word) | Q(model__icontains=word) | Q(size__istartswith=word)
            items = items.filter(named | Q(kind__name__icontains=word))
        return items

    def choices(self) -> list[dict[str, Any]]:
        """Return the select boxes above the catalogue, as `InstrumentFilter.choices` does."""
        boxes = [
            ("family", "Family", "All families", InstrumentKind.Family.choices, self.family),
            ("tier", "Made for", "Anybody", CatalogueItem.Tier.choices, self.tier),
            ("offered", "Offered", "Offered or not", [("yes", "Offered"), ("no", "Not offered")], self.offered),
        ]
        return [
            {"name": name, "label": label, "any": any_, "options": options, "chosen": chosen}
            for name, label, any_, options, chosen in boxes
        ]


def read_day(written: str) -> datetime.date | None:
    """Read a day as people write it; None where it is none."""
    try:
        day: datetime.date | None = DayField(required=False).clean(written)
    except ValidationError:
        return None
    return day


def beginning_of(day: datetime.date) -> datetime.datetime:
    """Return the office's first moment of a day."""
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time.min))


def _matches(text: str) -> Q:
    """Match a piece of the tag or serial number, or words of maker and model; the catalogue is small and asked first."""
    items = CatalogueItem.objects.all()
    for word in text.split()[:5]:
        items = items.filter(Q(maker__icontains=word) | Q(model__icontains=word) | Q(kind__name__icontains=word))
    code = text.upper().replace(" ", "")
    return Q(asset_tag__contains=code) | Q(serial_number__contains=code) | Q(item__in=list(items.values_list("pk", flat=True)))


def _all_sizes() -> list[str]:
    return list(dict.fromkeys(row.size for kind in list_kinds() for row in list_sizes(kind.code)))

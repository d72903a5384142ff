"""What the room knows from its data files: the kinds of instruments, their sizes, parts, services and checks.

Nothing here asks the database, but the `ensure_*` functions, which write into it after every migration.
"""

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class KindRow:
    """One line of instruments.csv."""

    code: str
    name: str
    family: str
    musicxml_sound: str
    has_sizes: bool
    also_called: tuple[str, ...]


@dataclass(frozen=True)
class SizeRow:
    """One line of string_sizes.csv: the least arm in inches, and the usual ages (both included)."""

    size: str
    arm_inches: Decimal | None
    age_from: int | None
    age_to: int | None


@dataclass(frozen=True)
class ConditionCheck:
    """One line of kind_checks.csv: what is looked at on an instrument of the kind."""

    code: str
    what: str


def _rows(name: str) -> Iterator[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(line for line in file if not line.startswith("#"))


@cache
def list_kinds() -> tuple[KindRow, ...]:
    """Return the kinds in the order of a score."""
    return tuple(
        KindRow(
            code=row["code"],
            name=row["name"],
            family=row["family"],
            musicxml_sound=row["musicxml_sound"],
            has_sizes=row["has_sizes"] == "yes",
            also_called=tuple(name.strip() for name in row["also_called"].split(";") if name.strip()),
        )
        for row in _rows("instruments.csv")
    )


@cache
def list_sizes(kind_code: str) -> tuple[SizeRow, ...]:
    """Return the sizes of a kind, smallest first; empty for a kind that has none."""
    return tuple(
        SizeRow(
            size=row["size"],
            arm_inches=Decimal(row["arm_inches"]) if row["arm_inches"] else None,
            age_from=int(row["age_from"]) if row["age_from"] else None,
            age_to=int(row["age_to"]) if row["age_to"] else None,
        )
        for row in _rows("string_sizes.csv")
        if row["kind"] == kind_code
    )


@cache
def list_condition_checks(kind_code: str) -> tuple[ConditionCheck, ...]:
    """Return what is looked at when an instrument of this kind is checked, in order; empty for a kind nobody knows."""
    return tuple(ConditionCheck(row["code"], row["what"]) for row in _rows("kind_checks.csv") if row["kind"] == kind_code)


@cache
def _names_of_kinds() -> dict[str, str]:
    names: dict[str, str] = {}
    for kind in list_kinds():
        for name in (kind.code, kind.name, *kind.also_called):
            names[_loosely(name)] = kind.code
    return names


def _loosely(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", name.casefold()).strip()


def kind_code_of(name: str) -> str | None:
    """Return the code of the kind that people write this way ("Alto Sax", "alto-saxophone", "French horns"), None if unknown."""
    loose = _loosely(name)
    return _names_of_kinds().get(loose) or _names_of_kinds().get(loose.removesuffix("s"))


def size_of(kind_code: str, written: str) -> str | None:
    """Return the size as the office writes it ("1/2", "15.5 in"), however people write it ("½", "full"); None if unknown."""
    loose = written.strip().casefold()
    for sign, plain in {"½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅞": " 7/8"}.items():
        loose = loose.replace(sign, plain)
    loose = re.sub(r"\s*(inches|inch|in\.|in|\"|”|″|'')$", "", loose.strip())
    loose = re.sub(r"\s*/\s*", "/", re.sub(r"\s+size$", "", loose)).strip()
    loose = {"full": "4/4", "1": "4/4", "1/1": "4/4", "half": "1/2"}.get(loose, loose)
    loose = re.sub(r"^(\d\d)[ -]1/2$", r"\1.5", loose)
    loose = re.sub(r"^(\d\d)\.0+$", r"\1", loose)
    known = {row.size.removesuffix(" in"): row.size for row in list_sizes(kind_code)}
    return known.get(loose)


def ensure_kinds(**_: Any) -> None:
    """Bring the kinds in the database up to the data file, after every migration; repeatable, and it removes nothing."""
    from rentals.inventory.models import InstrumentKind

    rows = [
        InstrumentKind(
            code=row.code,
            name=row.name,
            family=row.family,
            has_sizes=row.has_sizes,
            musicxml_sound=row.musicxml_sound,
            order=(place + 1) * 10,
        )
        for place, row in enumerate(list_kinds())
    ]
    InstrumentKind.objects.bulk_create(
        rows,
        update_conflicts=True,
        unique_fields=["code"],
        update_fields=["name", "family", "has_sizes", "musicxml_sound", "order"],
    )


def ensure_kind_lists(**_: Any) -> None:
    """Write the parts, services and tag series of the data files that are not in the database; what is there is never changed.

    Runs after `ensure_kinds`. A row is known by its kind and code, so what the manager renamed, priced or took off stays so.
    """
    from rentals.inventory.models import KindPart, KindService, TagSeries

    places: dict[str, Iterator[int]] = {}

    def order(row: dict[str, str]) -> int:
        return next(places.setdefault(row["kind"], count(10, 10)))

    parts = [
        KindPart(
            kind_id=row["kind"],
            code=row["code"],
            name=row["name"],
            order=order(row),
            must_come_back=row["must_come_back"] == "yes",
        )
        for row in _rows("kind_parts.csv")
    ]
    places.clear()
    services = [
        KindService(
            kind_id=row["kind"], code=row["code"], name=row["name"], order=order(row), usual_minutes=int(row["usual_minutes"])
        )
        for row in _rows("kind_services.csv")
    ]
    KindPart.objects.bulk_create(parts, ignore_conflicts=True)
    KindService.objects.bulk_create(services, ignore_conflicts=True)
    TagSeries.objects.bulk_create(
        [TagSeries(kind_id=row["kind"], prefix=f"{row['prefix']}-") for row in _rows("tag_series.csv")], ignore_conflicts=True
    )

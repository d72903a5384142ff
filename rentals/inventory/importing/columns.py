"""Our columns, and which of a file's columns is which of ours."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One of our columns: its key, its label, whether a file must have it, and the names people give it."""

    key: str
    label: str
    is_required: bool
    names: tuple[str, ...]


COLUMNS = (
    Column(
        "asset_tag", "Asset tag", True, ("asset tag", "tag", "asset", "asset number", "asset no", "asset id", "barcode", "label")
    ),
    Column("serial_number", "Serial number", False, ("serial number", "serial", "serial no", "s n", "sn", "serial num")),
    Column(
        "kind", "Kind of instrument", True, ("kind", "instrument", "type", "instrument type", "category", "kind of instrument")
    ),
    Column("maker", "Maker", True, ("maker", "make", "manufacturer", "brand", "mfr")),
    Column("model", "Model", True, ("model", "model number", "model no", "model name")),
    Column("size", "Size", False, ("size", "fractional size")),
    Column("tier", "Made for (tier)", False, ("tier", "level", "made for", "class")),
    Column("grade", "Condition", False, ("condition", "grade", "condition grade", "cond")),
    Column("location", "Location", False, ("location", "store", "shop", "where", "place", "branch")),
    Column("cost", "What the shop paid", False, ("cost", "unit cost", "what the shop paid", "our cost", "purchase cost", "paid")),
    Column(
        "acquired_on",
        "Acquired on",
        False,
        ("acquired", "acquired on", "date acquired", "acquired date", "purchase date", "bought"),
    ),
    Column("purchase_price", "Purchase price", False, ("purchase price", "price", "sale price", "selling price", "retail")),
    Column("replacement_value", "Replacement value", False, ("replacement value", "replacement", "replacement cost", "value")),
)
REQUIRED = [column.key for column in COLUMNS if column.is_required]


def guess_columns(header: Sequence[str], columns: Sequence[Column] = COLUMNS) -> dict[str, int]:
    """Return which of the file's columns (counted from 0) each of ours is, by its name; what is not recognised is left out.

    >>> guess_columns(["Tag #", "Brand", "Serial No.", "Colour"])
    {'asset_tag': 0, 'serial_number': 2, 'maker': 1}
    """
    plain = [re.sub(r"[^a-z]+", " ", name.casefold()).strip() for name in header]
    found: dict[str, int] = {}
    taken: set[int] = set()
    for column in columns:
        for name in column.names:
            places = [place for place, given in enumerate(plain) if given == name and place not in taken]
            if places:
                found[column.key] = places[0]
                taken.add(places[0])
                break
    return found


def missing_columns(mapping: Mapping[str, int]) -> list[str]:
    """Return the labels of the columns a fleet cannot do without."""
    return [column.label for column in COLUMNS if column.is_required and column.key not in mapping]

"""Every cell of a spreadsheet against what the fleet can hold: typed rows, and errors by row and column in words."""

import datetime
import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError

from rentals.inventory import reference, rules
from rentals.inventory.importing.columns import COLUMNS
from rentals.inventory.models import CatalogueItem, Instrument, InstrumentKind, Location
from rentals.runtime.exports import unguarded
from rentals.runtime.fields import DayField, MoneyField

GRADES = {
    "new": "new", "excellent": "new", "good": "good", "used": "good", "very good": "good", "fair": "worn", "worn": "worn",
    "poor": "poor", "bad": "poor",
}  # fmt: skip
TIERS = {
    "": "beginner", "beginner": "beginner", "student": "beginner", "basic": "beginner",
    "advanced": "advanced", "advancing": "advanced", "advancing student": "advanced", "intermediate": "advanced",
    "step up": "advanced",
}  # fmt: skip
SHOWN = 80
"""So many letters of a cell are told back."""
LABELS = {column.key: column.label for column in COLUMNS}


@dataclass(frozen=True)
class CellError:
    """What is wrong with one cell: the row as the spreadsheet counts it, our column, what stands there, and what to do."""

    row: int
    column: str
    value: str
    message: str


@dataclass
class UnitRow:
    """One instrument of the file. `item_key` names its model: kind, maker, model and size, in small letters."""

    row: int
    asset_tag: str
    serial_number: str
    item_key: tuple[str, str, str, str]
    kind: str
    maker: str
    model: str
    size: str
    tier: str
    grade: str
    location: str
    cost: Decimal
    acquired_on: datetime.date
    purchase_price: Decimal | None
    replacement_value: Decimal | None
    kind_name: str = ""
    grade_name: str = ""
    location_name: str = ""


@dataclass
class Checked:
    """What a file would bring: its units, the models it would add to the catalogue, and what stands in the way."""

    units: list[UnitRow] = field(default_factory=list)
    new_items: dict[tuple[str, str, str, str], UnitRow] = field(default_factory=dict)
    items: dict[tuple[str, str, str, str], CatalogueItem] = field(default_factory=dict)
    errors: list[CellError] = field(default_factory=list)


@dataclass(frozen=True)
class Defaults:
    """What holds for rows that leave it out."""

    location: str = ""
    acquired_on: datetime.date | None = None


class _Cells:
    """One row's cells under our names; keeps what is wrong with them."""

    def __init__(self, row: int, cells: Sequence[str], mapping: Mapping[str, int], errors: list[CellError]) -> None:
        self.row, self.cells, self.mapping, self.errors = row, cells, mapping, errors

    def text(self, key: str) -> str:
        place = self.mapping.get(key)
        return "" if place is None or place >= len(self.cells) else unguarded(self.cells[place])

    def wrong(self, key: str, message: str) -> None:
        self.errors.append(CellError(self.row, LABELS[key], self.text(key)[:SHOWN], message))

    def read(self, key: str, clean: Callable[[str], Any]) -> Any:
        """Clean one cell; None and an error when it cannot be read."""
        try:
            return clean(self.text(key))
        except (ValidationError, ValueError) as error:
            words = error.messages[0] if isinstance(error, ValidationError) else str(error)
            self.wrong(key, words)
            return None


def check_rows(rows: Iterable[tuple[int, Sequence[str]]], mapping: Mapping[str, int], defaults: Defaults) -> Checked:
    """Check every row of a file: cell by cell, against each other, and against the fleet as it is now."""
    checked = Checked()
    readers = _Readers(defaults)
    for number, cells in rows:
        checked.units.append(_unit(_Cells(number, cells, mapping, checked.errors), readers))
    _check_among_each_other(checked)
    _check_models(checked)
    _check_against_fleet(checked)
    checked.errors.sort(key=lambda error: error.row)
    return checked


class _Readers:
    """How each column is read; asks the database once for kinds and locations."""

    def __init__(self, defaults: Defaults) -> None:
        self.defaults = defaults
        self.kinds = {kind.code: kind for kind in InstrumentKind.objects.all()}
        self.locations: dict[str, str] = {}
        self.location_names: dict[str, str] = {}
        for location in Location.objects.filter(is_active=True):
            self.locations[location.code.casefold()] = self.locations[location.name.casefold()] = location.code
            self.location_names[location.code] = location.name
        self.money_field = MoneyField(required=False)
        self.day_field = DayField(required=False)

    def kind(self, text: str) -> str:
        if not text:
            raise ValueError("The kind of instrument is missing: write it as in the catalogue, such as Flute.")
        code = reference.kind_code_of(text)
        if code is None:
            names = {kind.name.casefold(): kind.name for kind in self.kinds.values()}
            near = difflib.get_close_matches(text.casefold(), names, n=1)
            todo = f"Did you mean {names[near[0]]}?" if near else "Write it as in the catalogue, such as Flute."
            raise ValueError(f"“{text[:SHOWN]}” is not a kind of instrument the office knows. {todo}")
        return code

    def amount(self, text: str) -> Decimal | None:
        amount = self.money_field.clean(text)
        return None if amount is None else amount.amount

    def day(self, text: str) -> datetime.date | None:
        day: datetime.date | None = self.day_field.clean(text) or self.defaults.acquired_on
        if day is None:
            raise ValueError("The date it was acquired is missing: fill it in, or choose one day for all rows without.")
        return day

    def location(self, text: str) -> str:
        code = self.locations.get(text.casefold()) if text else self.defaults.location
        if not code:
            raise ValueError(
                f"There is no shop called “{text}”. Write the name or the code of one, or add it under Shops first."
                if text
                else "The location is missing: fill it in, or choose one for all rows without."
            )
        return code

    @staticmethod
    def one_of(known: Mapping[str, str], words: str, default: str) -> Callable[[str], str]:
        def read(text: str) -> str:
            if not text:
                return default
            if text.casefold() not in known:
                raise ValueError(f"“{text}” is not one of: {words}. Write one of these.")
            return known[text.casefold()]

        return read

    @staticmethod
    def short(most: int, name: str) -> Callable[[str], str]:
        def read(text: str) -> str:
            if not text and name:
                raise ValueError(f"The {name} is missing.")
            if len(text) > most:
                raise ValueError(f"This is longer than {most} letters.")
            return " ".join(text.split())

        return read


def _unit(cells: _Cells, readers: _Readers) -> UnitRow:
    kind = cells.read("kind", readers.kind) or ""
    maker = cells.read("maker", readers.short(60, "maker")) or ""
    model = cells.read("model", readers.short(60, "model")) or ""
    size = cells.read("size", lambda text: _size(text, kind)) or ""
    grade = cells.read("grade", readers.one_of(GRADES, "new, good, worn, poor", "good")) or ""
    location = cells.read("location", readers.location) or ""
    return UnitRow(
        row=cells.row,
        asset_tag=cells.read("asset_tag", _tag) or "",
        serial_number=(cells.read("serial_number", readers.short(40, "")) or "").upper(),
        item_key=(kind, maker.casefold(), model.casefold(), size),
        kind=kind,
        maker=maker,
        model=model,
        size=size,
        tier=cells.read("tier", readers.one_of(TIERS, "beginner, advanced", "beginner")) or "",
        grade=grade,
        location=location,
        cost=cells.read("cost", readers.amount) or Decimal(0),
        acquired_on=cells.read("acquired_on", readers.day) or datetime.date.min,
        purchase_price=cells.read("purchase_price", readers.amount),
        replacement_value=cells.read("replacement_value", readers.amount),
        kind_name=readers.kinds[kind].name if kind else "",
        grade_name=Instrument.Grade(grade).label if grade else "",
        location_name=readers.location_names.get(location, ""),
    )


def _tag(text: str) -> str:
    if not text:
        raise ValueError("The asset tag is missing.")
    return rules.normalise_tag(text)


def _size(text: str, kind: str) -> str:
    sizes = reference.list_sizes(kind)
    if not sizes:
        if text and kind and text.casefold() not in {"n/a", "na", "-", "4/4", "full"}:
            raise ValueError("This kind has no sizes: leave the cell empty.")
        return ""
    size = reference.size_of(kind, text)
    if size is None:
        known = ", ".join(row.size for row in sizes)
        raise ValueError(
            f"“{text}” is not a size of this kind: write one of {known}." if text else f"The size is missing: {known}."
        )
    return size


def _check_among_each_other(checked: Checked) -> None:
    tags: dict[str, int] = {}
    serials: dict[tuple[Any, str], int] = {}
    for unit in checked.units:
        if unit.asset_tag:
            first = tags.setdefault(unit.asset_tag, unit.row)
            if first != unit.row:
                _refuse(
                    checked, unit, "asset_tag", unit.asset_tag, f"Row {first} has this tag already: every instrument has its own."
                )
        if unit.serial_number:
            first = serials.setdefault((unit.item_key, unit.serial_number), unit.row)
            if first != unit.row:
                _refuse(
                    checked,
                    unit,
                    "serial_number",
                    unit.serial_number,
                    f"Row {first} is the same model with the same serial number.",
                )


def _check_models(checked: Checked) -> None:
    """Find each model in the catalogue; a new one needs both prices, the same in every row."""
    for item in CatalogueItem.objects.all():
        checked.items[(item.kind_id, item.maker.casefold(), item.model.casefold(), item.size)] = item
    for unit in checked.units:
        size_unread = not unit.size and reference.list_sizes(unit.kind)  # told of already
        if unit.item_key in checked.items or not all(unit.item_key[:3]) or size_unread:
            continue
        name = " ".join(part for part in (unit.maker, unit.model, unit.size) if part)
        first = checked.new_items.get(unit.item_key)
        if first is None and unit.purchase_price is not None and unit.replacement_value is not None:
            checked.new_items[unit.item_key] = unit
        elif first is None:
            key = "purchase_price" if unit.purchase_price is None else "replacement_value"
            _refuse(
                checked,
                unit,
                key,
                "",
                f"{name} is not in the catalogue: give its purchase price and replacement value, or add it there first.",
            )
        elif unit.purchase_price not in {None, first.purchase_price}:
            _refuse(
                checked,
                unit,
                "purchase_price",
                str(unit.purchase_price),
                f"Row {first.row} gives {first.purchase_price} for {name}.",
            )
        elif unit.replacement_value not in {None, first.replacement_value}:
            _refuse(
                checked,
                unit,
                "replacement_value",
                str(unit.replacement_value),
                f"Row {first.row} gives {first.replacement_value} for {name}.",
            )


def _check_against_fleet(checked: Checked) -> None:
    tags = [unit.asset_tag for unit in checked.units if unit.asset_tag]
    known = set(Instrument.objects.filter(asset_tag__in=tags).values_list("asset_tag", flat=True))
    serials = [unit.serial_number for unit in checked.units if unit.serial_number and unit.item_key in checked.items]
    numbered_units = Instrument.objects.filter(serial_number__in=serials).values_list("item", "serial_number", "asset_tag")
    numbered = {(item, serial): tag for item, serial, tag in numbered_units}
    for unit in checked.units:
        if unit.asset_tag in known:
            _refuse(checked, unit, "asset_tag", unit.asset_tag, "An instrument of the fleet has this tag already.")
            continue
        item = checked.items.get(unit.item_key)
        other = numbered.get((item.pk, unit.serial_number)) if item else None
        if other:
            _refuse(
                checked,
                unit,
                "serial_number",
                unit.serial_number,
                f"{other} in the fleet is the same model with the same serial number.",
            )


def _refuse(checked: Checked, unit: UnitRow, key: str, value: str, message: str) -> None:
    checked.errors.append(CellError(unit.row, LABELS[key], value, message))

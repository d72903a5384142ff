"""The columns of the lists of figures: one definition for the screen, for sorting and for the file."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from billing.earning.queries import Figures, Row
from rentals.runtime.money import cents
from rentals.runtime.templatetags.office import money as written_money

TOO_LONG = 600
"""Months beyond which nobody waits: fifty years."""


@dataclass(frozen=True)
class Column:
    """One figure of a row. kind says how it is written; `sums` whether the foot of the list has it."""

    key: str
    label: str
    kind: Literal["money", "count", "months", "share"]
    value: Callable[[Figures], Any]

    def written(self, figures: Figures) -> str:
        """Write it as people read it; "" where there is nothing to say."""
        value = self.value(figures)
        if value is None:
            return ""
        if self.kind == "money":
            return written_money(value)
        if self.kind == "share":
            return f"{float(value) * 100:.0f}%"
        if self.key == "payback" and value > TOO_LONG:
            return f"over {TOO_LONG}"
        return f"{value:,}" if self.kind == "count" else f"{float(value):,.1f}"

    def plain(self, figures: Figures) -> Any:
        """Give it to a spreadsheet: amounts with cents, shares in percent, months to one place."""
        value = self.value(figures)
        if value is None or self.kind == "count":
            return value
        if self.kind == "money":
            return cents(value)
        return Decimal(str(value * 100 if self.kind == "share" else value)).quantize(Decimal("0.1"))


FIGURES = (
    Column("count", "Here now", "count", lambda f: f.worth.count),
    Column("rent", "Rent", "money", lambda f: f.earned.net),
    Column("paid", "Of it paid", "money", lambda f: f.earned.paid),
    Column("protection", "Protection", "money", lambda f: f.earned.protection),
    Column("bench", "Bench work", "money", lambda f: f.repairs),
    Column("result", "Result", "money", lambda f: f.result),
    Column("out", "Months out", "months", lambda f: f.use.months_out),
    Column("use", "In use", "share", lambda f: f.use.share),
    Column("payback", "Months to pay", "months", lambda f: f.payback),
    Column("book", "Book value", "money", lambda f: f.worth.book_value),
)
OF_ONE = tuple(column for column in FIGURES if column.key != "count")
"""Of a single instrument: how many there are says nothing."""


def sort_rows(rows: Iterable[Row], sort: str, columns: Sequence[Column]) -> list[Row]:
    """Sort by a column's key, "-" before it for the greatest first; what has no figure comes last. Without a key as it stands."""
    listed, key = list(rows), sort.removeprefix("-")
    if key == "name":
        return sorted(listed, key=lambda row: row.name.casefold(), reverse=sort.startswith("-"))
    column = next((column for column in columns if column.key == key), None)
    if column is None:
        return listed
    known = [row for row in listed if column.value(row.figures) is not None]
    blank = [row for row in listed if column.value(row.figures) is None]
    return sorted(known, key=lambda row: column.value(row.figures), reverse=sort.startswith("-")) + blank


def csv_rows(rows: Iterable[Row], columns: Sequence[Column], before: Callable[[Row], list[Any]]) -> Iterable[list[Any]]:
    """Give the rows for a file: what `before` says of each, then its figures."""
    return ([*before(row), *(column.plain(row.figures) for column in columns)] for row in rows)

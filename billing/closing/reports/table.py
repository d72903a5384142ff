"""The one form every report has: columns, rows in their order, a total, and what of it must equal the ledger."""

import dataclasses
import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from billing.closing.span import Month
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written_money

Cell = str | Decimal | int | datetime.date | None
"""Text, an amount, a count, a day, or nothing."""


@dataclass(frozen=True)
class Column:
    """One column. kind: text, money (added up in a total), count (added up, too), day, or left ("money" that is not added up)."""

    label: str
    kind: Literal["text", "money", "count", "day", "balance"] = "text"

    @property
    def is_number(self) -> bool:
        """Whether it stands at the right."""
        return self.kind in {"money", "count", "balance"}

    @property
    def adds_up(self) -> bool:
        """Whether a total of it means something."""
        return self.kind in {"money", "count"}

    def written(self, cell: Cell) -> str:
        """Write a cell as people read it."""
        if cell is None or cell == "":
            return ""
        if self.kind in {"money", "balance"}:
            return written_money(cell)
        return written_day(cell) if isinstance(cell, datetime.date) else str(cell)


@dataclass(frozen=True)
class Row:
    """One row. `link` is the address of what it is made of, "" where there is none."""

    cells: tuple[Cell, ...]
    link: str = ""

    @property
    def is_empty(self) -> bool:
        """Whether none of its figures is anything."""
        return not any(cell for cell in self.cells if isinstance(cell, Decimal | int))

    def says(self, words: str) -> bool:
        """Whether its text has these words in it, small letters given."""
        return any(words in cell.casefold() for cell in self.cells if isinstance(cell, str))


@dataclass(frozen=True)
class Tie:
    """A figure of the report beside the one of the ledger that must be the same."""

    what: str
    report: Decimal
    ledger: Decimal

    @property
    def difference(self) -> Decimal:
        """Zero when they agree."""
        return self.report - self.ledger


@dataclass(frozen=True)
class Caution:
    """What to mind, and whom to ask: law, tax or payments (see the component)."""

    about: str
    text: str


@dataclass(frozen=True)
class Report:
    """A report of a month: every form of it has these rows in this order, then the total."""

    code: str
    title: str
    month: Month
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    ties: tuple[Tie, ...]
    notes: tuple[str, ...] = ()
    caution: Caution | None = None
    has_total: bool = True
    total_word: str = "Total"

    @property
    def total(self) -> Row | None:
        """The sums of the columns that can be added up."""
        if not self.has_total or not self.rows:
            return None
        sums = [self._sum(place) if column.adds_up else None for place, column in enumerate(self.columns)]
        return Row((self.total_word, *sums[1:]))

    def _sum(self, place: int) -> Cell:
        figures = [row.cells[place] for row in self.rows]
        if self.columns[place].kind == "count":
            return sum(figure for figure in figures if isinstance(figure, int))
        return sum((figure for figure in figures if isinstance(figure, Decimal)), ZERO)

    @property
    def ties_out(self) -> bool:
        """Whether every figure equals the ledger's, to the cent."""
        return all(not tie.difference for tie in self.ties)

    @property
    def lines(self) -> tuple[Row, ...]:
        """The rows and, after them, the total."""
        return (*self.rows, self.total) if self.total else self.rows


def narrowed(report: Report, *, text: str = "", empty: bool = True) -> Report:
    """Return the report with only the rows that have a text in them, and without rows that have no figure unless `empty`.

    What must equal the ledger stays that of the whole report; the total says that it is of what is shown.
    """
    wanted = text.casefold().strip()
    rows = tuple(row for row in report.rows if (empty or not row.is_empty) and row.says(wanted))
    word = "Total of what is shown" if wanted else report.total_word
    return dataclasses.replace(report, rows=rows, total_word=word)


def columns(*given: str | Column) -> tuple[Column, ...]:
    """Make columns of text out of plain labels."""
    return tuple(each if isinstance(each, Column) else Column(each) for each in given)


def money(*labels: str) -> tuple[Column, ...]:
    """Make columns of amounts."""
    return tuple(Column(label, "money") for label in labels)


def add(figures: Iterable[Decimal]) -> Decimal:
    """Add amounts up; of none it is zero."""
    return sum(figures, ZERO)


def whole_rows(rows: Sequence[Sequence[Cell]]) -> tuple[Row, ...]:
    """Make rows without a link."""
    return tuple(Row(tuple(row)) for row in rows)

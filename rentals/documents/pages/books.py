"""Pages of the books: reports, and a month as it was closed."""

import datetime
from dataclasses import dataclass


@dataclass(frozen=True)
class ReportColumn:
    """A column of a report; figures stand at the right."""

    label: str
    is_number: bool


@dataclass(frozen=True)
class ReportLine:
    """A row of a report, every cell as it is read."""

    cells: tuple[str, ...]
    is_total: bool = False


@dataclass(frozen=True)
class ReportPage:
    """A report of the books for one month. `ties` say which figures equal the ledger's; `caution_about` as on screen."""

    heading: str
    month: str
    through_on: datetime.date
    columns: tuple[ReportColumn, ...]
    lines: tuple[ReportLine, ...]
    ties: tuple[str, ...]
    notes: tuple[str, ...]
    caution_about: str = ""
    caution: str = ""

    @property
    def rows(self) -> list[tuple[bool, list[tuple[str, bool]]]]:
        """Each line: whether it is the total, and its cells with whether they are figures."""
        return [
            (line.is_total, [(cell, column.is_number) for cell, column in zip(line.cells, self.columns, strict=True)])
            for line in self.lines
        ]


@dataclass(frozen=True)
class ClosingCheckLine:
    """One check of a closing as it stood: state holds or waived, with why it was let pass."""

    title: str
    state: str
    note: str
    waived: str = ""


@dataclass(frozen=True)
class ClosingPage:
    """What a month was closed with: its checklist, and every report. `number` is more than 1 for a month closed again."""

    month: str
    through_on: datetime.date
    number: int
    closed_at: datetime.datetime
    closed_by: str
    checks: tuple[ClosingCheckLine, ...]
    reports: tuple[ReportPage, ...]

"""A report as a file: CSV, XLSX, and the page a PDF is made of. All of them have the rows and the order of the screen."""

import csv
import datetime
import io
from decimal import Decimal
from typing import Any

import xlsxwriter

from billing.closing.reports.table import Cell, Report
from rentals.documents.pages import ReportColumn, ReportLine, ReportPage
from rentals.runtime.exports import FORMULA, guarded
from rentals.runtime.money import cents
from rentals.runtime.templatetags.office import money as written

MARK = "\ufeff"
"""So that spreadsheets read names right."""


def to_csv(report: Report) -> str:
    """Write a report as CSV: plain figures, days as 2026-10-31, text guarded so that no spreadsheet runs it."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([column.label for column in report.columns])
    for row in report.lines:
        writer.writerow([guarded(cents(cell) if isinstance(cell, Decimal) else cell) for cell in row.cells])
    return MARK + out.getvalue()


def to_xlsx(report: Report) -> bytes:
    """Write a report as a spreadsheet: amounts are numbers, text is text even where it looks like a formula."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    book.set_properties(
        {"title": f"{report.title}, {report.month}", "created": datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)}
    )
    sheet = book.add_worksheet(report.title[:31])
    styles = _Styles(book)
    for place, column in enumerate(report.columns):
        sheet.write_string(0, place, column.label, styles.head)
        sheet.set_column(place, place, 14 if column.is_number else 32)
    for line, row in enumerate(report.lines, 1):
        for place, cell in enumerate(row.cells):
            _write(sheet, line, place, cell, styles)
    sheet.freeze_panes(1, 0)
    book.close()
    return out.getvalue()


class _Styles:
    """How cells look."""

    def __init__(self, book: Any) -> None:
        self.head = book.add_format({"bold": True, "text_wrap": True})
        self.money = book.add_format({"num_format": "#,##0.00"})
        self.day = book.add_format({"num_format": "yyyy-mm-dd"})
        # A spreadsheet's own way to say that a cell is text, whatever it begins with.
        self.text = book.add_format({"quote_prefix": True})


def _write(sheet: Any, line: int, place: int, cell: Cell, styles: _Styles) -> None:
    if isinstance(cell, Decimal):
        sheet.write_number(line, place, cell, styles.money)
    elif isinstance(cell, int):
        sheet.write_number(line, place, cell)
    elif isinstance(cell, datetime.date):
        sheet.write_datetime(line, place, datetime.datetime.combine(cell, datetime.time()), styles.day)
    elif cell:
        sheet.write_string(line, place, cell, styles.text if cell.startswith(FORMULA) else None)


def to_page(report: Report) -> ReportPage:
    """Return the page of a report, every cell as people read it."""
    shown = [ReportLine(tuple(c.written(x) for c, x in zip(report.columns, row.cells, strict=True))) for row in report.lines]
    if report.total:
        shown[-1] = ReportLine(shown[-1].cells, is_total=True)
    ties = tuple(
        f"{tie.what}: {written(tie.report)} and {written(tie.ledger)}"
        + (", the same." if not tie.difference else f". They differ by {written(tie.difference)}.")
        for tie in report.ties
    )
    return ReportPage(
        heading=report.title,
        month=str(report.month),
        through_on=report.month.last_day,
        columns=tuple(ReportColumn(column.label, column.is_number) for column in report.columns),
        lines=tuple(shown),
        ties=ties,
        notes=report.notes,
        caution_about=report.caution.about if report.caution else "",
        caution=report.caution.text if report.caution else "",
    )

"""Tables that leave the office as files. Text that a spreadsheet would take for a formula is guarded; numbers stay numbers."""

import csv
import datetime
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

from django.http import StreamingHttpResponse

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""Beginnings that make a spreadsheet calculate (OWASP ASVS 5.0, V1.2.10)."""


def guarded(value: Any) -> str:
    """Write one cell: plain figures for numbers and amounts, ISO days, and an apostrophe before text that begins like a formula.

    >>> guarded("=1+1"), guarded(Decimal("-12.50")), guarded("'tis")
    ("'=1+1", '-12.50', "'tis")
    """
    if value is None:
        return ""
    value = getattr(value, "amount", value)
    if isinstance(value, int | Decimal | datetime.date):
        return str(value)
    text = str(value)
    return f"'{text}" if text.startswith(FORMULA) else text


def unguarded(text: str) -> str:
    """Take off the apostrophe that `guarded` put on: what was exported comes in again as it was."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA) else text


def csv_lines(rows: Iterable[Iterable[Any]]) -> Iterator[str]:
    """Write rows as CSV text, guarded, one line at a time."""
    writer = csv.writer(_Echo())
    for row in rows:
        yield writer.writerow([guarded(value) for value in row])


def stream_csv(name: str, header: Iterable[str], rows: Iterable[Iterable[Any]]) -> StreamingHttpResponse:
    """Send rows as a CSV file (UTF-8 with a mark, so that spreadsheets read names right), without holding them all in memory."""

    def lines() -> Iterator[str]:
        yield "\ufeff"
        yield from csv_lines([header])
        yield from csv_lines(rows)

    response = StreamingHttpResponse(lines(), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


class _Echo:
    """A file that gives back what is written, which `csv.writer.writerow` then returns."""

    def write(self, line: str) -> str:
        return line

"""From the bytes of a CSV or XLSX file to rows of text, whatever program wrote it, within limits that no file can get round."""

import csv
import datetime
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import python_calamine

MOST_BYTES = 5 * 1024 * 1024
MOST_ROWS = 20_000
MOST_COLUMNS = 100
MOST_UNPACKED = 60 * 1024 * 1024
MOST_MEMBERS = 500
LONGEST_CELL = 2_000

_CELLS = re.compile(rb"<(?:\w+:)?(row|c)\b([^>]*)>")
_REFERENCE = re.compile(rb'\br="([A-Z]{0,9})([0-9]{1,12})"')


class FileRefusedError(Exception):
    """A file that cannot be read as a table; the text says why and what to do."""


@dataclass(frozen=True)
class Table:
    """The column names, and each row below them with its number in the file (the header's row counts)."""

    header: list[str]
    rows: list[tuple[int, list[str]]]


def read_table(content: bytes) -> Table:
    """Read a CSV or XLSX file; which of the two is seen from its first bytes, never from its name.

    Raises FileRefusedError.
    """
    if len(content) > MOST_BYTES:
        raise FileRefusedError("The file is larger than 5 MB: split it into several files.")
    if content.startswith(b"PK"):
        return _table(_xlsx_rows(content))
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise FileRefusedError("This is a workbook in the old .xls form, or one with a password: save it as .xlsx or CSV.")
    return _table(_csv_rows(content))


def _table(lines: Iterator[list[str]]) -> Table:
    """Take the first row that is not empty as the header; skip empty rows; hold the limits."""
    header: list[str] | None = None
    rows: list[tuple[int, list[str]]] = []
    for number, line in enumerate(lines, 1):
        cells = [cell.strip()[:LONGEST_CELL] for cell in line]
        while cells and not cells[-1]:
            cells.pop()
        if not cells:
            continue
        if len(cells) > MOST_COLUMNS:
            raise FileRefusedError(
                f"Row {number} has {len(cells):,} columns; {MOST_COLUMNS} is the most: leave out what is not needed."
            )
        if header is None:
            header = cells
        elif len(rows) == MOST_ROWS:
            raise FileRefusedError(f"The file has more than {MOST_ROWS:,} rows: split it into several files.")
        else:
            rows.append((number, cells))
    if not header or not rows:
        raise FileRefusedError(
            "The file has no rows: the first row names the columns, and each row below is one line of the list."
        )
    widest = max(len(cells) for _, cells in rows)
    names = [name or f"Column {place + 1}" for place, name in enumerate(header)]
    names += [f"Column {place + 1}" for place in range(len(header), widest)]
    return Table(names, [(number, cells + [""] * (len(names) - len(cells))) for number, cells in rows])


def _csv_rows(content: bytes) -> Iterator[list[str]]:
    text = _decoded(content)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    try:
        yield from reader
    except csv.Error as error:
        raise FileRefusedError(
            f"Line {reader.line_num} of the file cannot be read as CSV ({error}): open it in the spreadsheet and save it again."
        ) from error


def _decoded(content: bytes) -> str:
    """Decode text as spreadsheets write it: UTF-8 with or without its mark, UTF-16 with one, else Windows-1252."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        codings = ["utf-16"]
    elif b"\x00" in content:
        raise FileRefusedError("This is not a table: choose a CSV file or an Excel workbook (.xlsx).")
    else:
        codings = ["utf-8-sig", "cp1252"]
    for coding in codings:
        try:
            return content.decode(coding)
        except UnicodeDecodeError:
            continue
    raise FileRefusedError("The file's letters cannot be read: save it as CSV UTF-8, or as an Excel workbook (.xlsx).")


def _delimiter(text: str) -> str:
    """Return the sign that parts the first row into most cells, of comma, semicolon, Tab and bar."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    outside = re.sub(r'"[^"]*"', "", first)
    return max([",", ";", "\t", "|"], key=outside.count)


def _xlsx_rows(content: bytes) -> Iterator[list[str]]:
    _guard_workbook(content)
    try:
        workbook = python_calamine.load_workbook(io.BytesIO(content))
        sheet = workbook.get_sheet_by_index(0)
        rows = sheet.to_python(skip_empty_area=False)
    except (python_calamine.CalamineError, OSError, ValueError, IndexError) as error:
        raise FileRefusedError(BROKEN) from error
    for row in rows:
        yield [_text(cell) for cell in row]


BROKEN = "This workbook is damaged or not a workbook: open it in the spreadsheet, save it as .xlsx, and choose it again."


def _text(cell: Any) -> str:
    """Write a cell as a person would type it."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else f"{cell:.10g}"
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat() if cell.time() == datetime.time() else cell.isoformat(sep=" ")
    return str(cell)


def _guard_workbook(content: bytes) -> None:
    """Refuse what would unpack to more than the office can hold, before anything is built from it.

    A sheet is laid out from corner to corner, so one cell far away costs as much as a full sheet: references are read first.
    """
    try:
        members = zipfile.ZipFile(io.BytesIO(content)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError) as error:
        raise FileRefusedError(BROKEN) from error
    if len(members) > MOST_MEMBERS:
        raise FileRefusedError(BROKEN)
    left = MOST_UNPACKED
    for member in members:
        data = _unpacked(content, member, left)
        left -= len(data)
        if member.filename.lower().startswith("xl/worksheets/"):
            _guard_sheet(data)


def _unpacked(content: bytes, member: zipfile.ZipInfo, most: int) -> bytes:
    """Unpack one member from its own bytes (the sizes it claims may lie), no more than `most`."""
    start = member.header_offset
    head = content[start : start + 30]
    if len(head) < 30 or head[:4] != b"PK\x03\x04":
        raise FileRefusedError(BROKEN)
    begin = start + 30 + int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little")
    packed = content[begin : begin + member.compress_size]
    if member.compress_type == zipfile.ZIP_STORED:
        data = packed
    elif member.compress_type == zipfile.ZIP_DEFLATED:
        try:
            data = zlib.decompressobj(-15).decompress(packed, most + 1)
        except zlib.error as error:
            raise FileRefusedError(BROKEN) from error
    else:
        raise FileRefusedError(BROKEN)
    if len(data) > most:
        raise FileRefusedError(
            "This workbook unpacks to more than 60 MB: it holds far more than a list. Save the list alone as CSV."
        )
    return data


def _guard_sheet(data: bytes) -> None:
    if b"\x00" in data:
        raise FileRefusedError(BROKEN)
    rows = columns = cells_in_row = 0
    for tag in _CELLS.finditer(data):
        reference = _REFERENCE.search(tag[2])
        if tag[1] == b"row":
            rows, cells_in_row = max(rows + 1, int(reference[2]) if reference else 0), 0
        else:
            cells_in_row += 1
            columns = max(columns, cells_in_row, _column(reference[1]) if reference else 0)
            rows = max(rows, int(reference[2]) if reference else 0)
        if columns > MOST_COLUMNS:
            raise FileRefusedError(f"The sheet has more than {MOST_COLUMNS} columns: leave out what is not needed.")
        if rows > MOST_ROWS + 50:
            raise FileRefusedError(f"The sheet has more than {MOST_ROWS:,} rows: split it into several files.")


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number

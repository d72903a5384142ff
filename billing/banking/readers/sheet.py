"""A CSV list as rows of cells that know their lines, before anybody has said what its columns mean, and a first guess at that.

RFC 4180 is the common ground; banks part from it in delimiter, spelling, and rows above and below the list (common practice, no
source).
"""

import csv
import hashlib
import io
import re
from collections import Counter
from dataclasses import dataclass

from billing.banking.readers.amounts import DAY, as_amount
from billing.banking.readers.found import AGAIN, SHORTER, BankFileError
from billing.banking.readers.text import decoded, encoding_as

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
MOST_COLUMNS = 60
MOST_ROWS = 25_000
LOOKED_AT = 40


@dataclass(frozen=True)
class Row:
    """One row: the line it begins on, and its cells without the spaces around them."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A list as it stands in a file. `header`: the row with the names of the columns, None where there is none."""

    encoding: str
    delimiter: str
    rows: tuple[Row, ...]
    width: int
    header: Row | None

    @property
    def body(self) -> tuple[Row, ...]:
        """The rows below the header."""
        return tuple(row for row in self.rows if self.header is None or row.line > self.header.line)

    @property
    def names(self) -> list[str]:
        """What each column is called: by its header, or by its place."""
        given = self.header.cells if self.header else ()
        return [
            (given[place] if place < len(given) and given[place] else f"Column {place + 1}")[:60] for place in range(self.width)
        ]

    @property
    def signature(self) -> str:
        """By what lists of one layout are known again: the names of their columns, or how many there are."""
        names = "|".join(name.casefold() for name in self.names) if self.header else f"{self.width} columns"
        return hashlib.sha256(f"{self.delimiter}{names}".encode()).hexdigest()

    def sample(self, place: int, most: int = 3) -> list[str]:
        """Return the first values of a column."""
        values = [row.cells[place] for row in self.body if place < len(row.cells) and row.cells[place]]
        return [value[:40] for value in values[:most]]


def read_sheet(content: bytes, *, spelling: str = "", delimiter: str = "") -> Sheet:
    """Read a list. `spelling` (one of text.SPELLINGS) and `delimiter` where a person told them; "" guesses.

    Raises BankFileError with the line where it is none.
    """
    encoding = encoding_as(content, spelling)
    text = decoded(content, encoding)
    told, delimiter = bool(delimiter), delimiter or _delimiter(text)
    rows = _rows(text, delimiter)
    if not rows:
        raise BankFileError(None, "The file is empty.")
    widths = Counter(len(row.cells) for row in rows if len(row.cells) > 1)
    if not widths:
        said = "This is no file that is read here: OFX, camt.053, BAI2, or a list in CSV."
        if told:
            raise BankFileError(rows[0].line, f"No line has a {DELIMITERS[delimiter]} in it, so there are no columns.", OTHERWISE)
        raise BankFileError(rows[0].line, said, CHOOSE)
    width = max(widths, key=lambda count: (widths[count], count))
    return Sheet(encoding, delimiter, tuple(rows), width, _header(rows, width))


OTHERWISE = "Choose what else stands between the columns."
CHOOSE = "In the bank’s online pages choose one of these formats and download again."


def _delimiter(text: str) -> str:
    """Return what divides the cells: what gives most of the first rows the same number of them."""
    head = [line for line in text.split("\n")[:LOOKED_AT] if line.strip()]

    def rank(delimiter: str) -> tuple[int, int]:
        counts = Counter(_count(line, delimiter) for line in head)
        counts.pop(1, None)
        return max(((rows, cells) for cells, rows in counts.items()), default=(0, 0))

    return max(DELIMITERS, key=rank)


def _count(line: str, delimiter: str) -> int:
    return len(re.sub(r'"[^"]*"?', "", line).split(delimiter))


def _rows(text: str, delimiter: str) -> list[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[Row] = []
    begins = 1
    try:
        for cells in reader:
            if len(cells) > MOST_COLUMNS:
                reason = f"The line has {len(cells):,} columns; a bank’s list has at most {MOST_COLUMNS}."
                raise BankFileError(begins, reason, "Ask the bank for a list of payments.")
            if any(cell.strip() for cell in cells):
                rows.append(Row(begins, tuple(" ".join(cell.split()) for cell in cells)))
            begins = reader.line_num + 1
            if len(rows) > MOST_ROWS:
                raise BankFileError(begins, f"The file holds more than {MOST_ROWS:,} lines.", SHORTER)
    except csv.Error as error:
        said = "A quotation mark opens here and is never closed: a part of the file is missing."
        if "larger than field limit" in str(error):
            said = "A cell of this line is longer than any that a bank writes."
        elif "end of data" not in str(error):
            said = "The quotation marks of this line do not pair."
        raise BankFileError(begins, said, AGAIN) from error
    return rows


def _header(rows: list[Row], width: int) -> Row | None:
    """Return the row with the names: the first as wide as most, if it holds no day and no amount."""
    first = next((row for row in rows if len(row.cells) == width), None)
    if first is None or any(DAY.match(cell) or as_amount(cell, ".") is not None for cell in first.cells if cell):
        return None
    return first

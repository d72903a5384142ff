"""Pure rules of a delivery: how scanned or pasted lines of codes are read, and how a tag of a series is written."""

import re
import unicodedata
from dataclasses import dataclass

MOST_PIECES = 500
LONGEST_SERIAL = 40
NO_SERIAL = {"-", "–", "—", "NONE", "N/A"}


@dataclass(frozen=True)
class Code:
    """One code as it was scanned or pasted, with the number of its place, from 1. `text` is "" for a dash: it has none."""

    row: int
    text: str


def read_codes(written: str) -> list[Code]:
    """Return the codes of a box, one a line (or parted by tabs, commas or semicolons), in capitals; empty lines do not count.

    A scanner's symbology identifier ("]C1", ISO/IEC 15424) and invisible letters fall away.

    >>> [code.text for code in read_codes("]C1ab 12" + chr(13) + chr(10) + chr(10) + " - " + chr(10) + "c3,c4")]
    ['AB 12', '', 'C3', 'C4']
    """
    pieces = [_plain(piece) for piece in re.split(r"[\n\r\t,;]", written)]
    kept = [piece for piece in pieces if piece]
    return [Code(place, "" if piece in NO_SERIAL else piece) for place, piece in enumerate(kept, start=1)]


def _plain(piece: str) -> str:
    text = unicodedata.normalize("NFKC", piece)
    text = "".join(letter for letter in text if unicodedata.category(letter)[0] != "C")
    return re.sub(r"^\][A-Za-z][0-9A-Za-z]", "", " ".join(text.split())).strip().upper()


def series_tag(prefix: str, width: int, number: int) -> str:
    """Return a tag of a series; a number longer than the width is written in full.

    >>> series_tag("FL-", 4, 42), series_tag("FL-", 4, 12345)
    ('FL-0042', 'FL-12345')
    """
    return f"{prefix}{number:0{width}d}"


def miscount(pieces: int, codes: int, what: str) -> str:
    """Say how many codes do not fit the pieces of a line; "" when they fit. `what`: "serial number" or "tag".

    >>> miscount(10, 9, "serial number")
    'There are 10 instruments and 9 serial numbers: scan the one that is missing, or change how many came.'
    """
    if pieces == codes:
        return ""
    instruments = f"{pieces} instrument{'' if pieces == 1 else 's'}"
    told = f"There {'is' if pieces == 1 else 'are'} {instruments} and {codes} {what}{'' if codes == 1 else 's'}"
    by = abs(pieces - codes)
    if codes < pieces:
        return f"{told}: scan the {'one that is' if by == 1 else f'{by} that are'} missing, or change how many came."
    return f"{told}: take {'one' if by == 1 else by} out, or change how many came."

"""Reading a bank's file: OFX and QFX, camt.053, BAI2, or a list in CSV, known by what stands in it and never by its name."""

from billing.banking.readers.bai2 import is_bai2, read_bai2
from billing.banking.readers.camt import is_camt, read_camt
from billing.banking.readers.found import LARGEST, SHORTER, BankFileError, FoundAccount, FoundFile, FoundLine
from billing.banking.readers.listed import Mapping, MappingNeededError, guess, read_list
from billing.banking.readers.ofx import is_ofx, read_ofx
from billing.banking.readers.sheet import CHOOSE, Sheet, read_sheet

__all__ = [
    "LARGEST",
    "BankFileError",
    "FoundAccount",
    "FoundFile",
    "FoundLine",
    "Mapping",
    "MappingNeededError",
    "Sheet",
    "guess",
    "read",
    "read_list",
    "read_sheet",
]

READ_HERE = "a bank’s file in OFX, camt.053, BAI2 or CSV"


def read(content: bytes, *, currency: str, mapping: Mapping | None = None) -> FoundFile:
    """Read a whole file, whatever it is written in. `mapping`: what the columns mean, should it be a list.

    Raises BankFileError with the line and the reason, nothing of a refused file is kept; and MappingNeededError for a list
    without a mapping.
    """
    if len(content) > LARGEST:
        raise BankFileError(None, "The file is larger than 5 MB.", SHORTER)
    if not content.strip():
        raise BankFileError(None, "The file is empty.")
    content = content.removeprefix(b"\xef\xbb\xbf")
    start = content.lstrip()
    if is_ofx(start):
        return read_ofx(content, currency=currency)
    if is_camt(start):
        return read_camt(start, currency=currency)
    if is_bai2(start):
        return read_bai2(content, currency=currency)
    _refuse_others(start)
    if mapping is None:
        raise MappingNeededError(read_sheet(content))
    return read_list(read_sheet(content, spelling=mapping.spelling, delimiter=mapping.delimiter), mapping)


def _refuse_others(start: bytes) -> None:
    """Say what the file is instead, when its first bytes tell."""
    what = ""
    if start.startswith(b"%PDF"):
        what = "a PDF"
    elif start.startswith((b"PK\x03\x04", b"\x1f\x8b", b"\xd0\xcf\x11\xe0", b"Rar!", b"7z")):
        what = "a packed file or a spreadsheet"
    elif start.startswith(b"!"):
        what = "a QIF file"
    elif start[:15].lower().startswith((b"<!doctype html", b"<html")):
        raise BankFileError(1, f"This is a web page, not {READ_HERE}: the bank’s sign-in may have run out.", CHOOSE)
    elif start.startswith((b":20:", b"{1:")):
        what = "a statement in MT940"
    elif start.startswith(b"<"):
        what = "XML of another kind"
    if what:
        raise BankFileError(1, f"This is {what}, not {READ_HERE}.", CHOOSE)

"""Bytes to text: which spelling a file without a declaration is in, and nothing in it that is not text."""

import codecs
import re

from billing.banking.readers.found import AGAIN, BankFileError

MARKS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
ENCODINGS = ("utf-8", "cp1252", "utf-16")
SPELLINGS = {
    "utf-8": "UTF-8",
    "cp1252": "Windows, Western European",
    "iso8859-15": "ISO 8859-15, with the euro sign",
    "cp850": "DOS, Western European",
    "mac-roman": "Macintosh",
    "utf-16": "UTF-16",
}
"""Spellings that a person may say a list is in, where the guess was wrong."""
ODD = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def encoding_of(content: bytes) -> str:
    """Return the spelling of a file: by its mark, by the zeros of UTF-16 between plain letters, UTF-8 or else Windows-1252."""
    for mark, name in MARKS.items():
        if content.startswith(mark):
            return name
    start = content[:400]
    if start[1::2].count(0) > len(start) // 3:
        return "utf-16-le"
    if start[0::2].count(0) > len(start) // 3:
        return "utf-16-be"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def spelling_of(encoding: str) -> str:
    """Return which of SPELLINGS an encoding is.

    >>> spelling_of("utf-8-sig"), spelling_of("utf-16-be"), spelling_of("cp850")
    ('utf-8', 'utf-16', 'cp850')
    """
    return next((each for each in ("utf-8", "utf-16") if encoding.startswith(each)), encoding)


def encoding_as(content: bytes, spelling: str) -> str:
    """Return the encoding of a file that is said to be in one of SPELLINGS; "" leaves it to the file."""
    guessed = encoding_of(content)
    return guessed if spelling in {"", spelling_of(guessed)} else spelling


def decoded(content: bytes, encoding: str = "") -> str:
    """Return a file's text with plain line ends. Raises BankFileError at the line where it is no text."""
    encoding = encoding or encoding_of(content)
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        said = f"Here stands a character that does not belong to the file’s character set ({encoding})."
        raise BankFileError(line, said) from error
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    odd = ODD.search(text)
    if odd:
        line = text[: odd.start()].count("\n") + 1
        raise BankFileError(line, "Here stands a character that is not text: the file is damaged.", AGAIN)
    return text

"""How a scanned code is read: pure, no database. A tag, a serial number, or an address of ours that carries one."""

import re
import unicodedata
from urllib.parse import parse_qs, urlsplit

AIM = re.compile(r"^\][A-Za-z][0-9A-Za-z]")
"""The symbology identifier of ISO/IEC 15424 that a scanner may put before the code."""
LONGEST = 80
CARRIES = ("code", "tag")


def read_code(scanned: str) -> str:
    """Return what was scanned as one code: capitals, no symbology identifier or ending, one sort of dash, of an address its code.

    >>> read_code("]C1fl–1042" + chr(13)), read_code("https://office.example/scan/?code=fl-1042"), read_code("sn  77/3 ")
    ('FL-1042', 'FL-1042', 'SN 77/3')
    >>> read_code("https://elsewhere.example/page"), read_code(chr(9))
    ('HTTPS://ELSEWHERE.EXAMPLE/PAGE', '')
    """
    plain = unicodedata.normalize("NFKC", scanned)
    plain = "".join(" " if letter.isspace() else letter for letter in plain if letter.isspace() or letter.isprintable())
    plain = AIM.sub("", plain.strip())
    plain = _of_address(plain) if plain.lower().startswith(("http://", "https://")) else plain
    plain = re.sub(r"[\u2010-\u2015\u2212]", "-", plain)
    return " ".join(plain.split()).upper()[:LONGEST]


def _of_address(text: str) -> str:
    """Return the code an address carries in its query, or the address itself: which host it names is nobody's concern here."""
    try:
        query = parse_qs(urlsplit(text).query)
    except ValueError:
        return text
    return next((query[name][0] for name in CARRIES if name in query), text)

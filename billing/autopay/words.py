"""Names as a Nacha file can carry them: capital letters, digits and a few signs, cut to the width of their field."""

import re
import unicodedata

# Alphameric fields may hold every printable ASCII character (Nacha 2013, appendix 3); banks are safest with these (common
# practice, no source). What has no simple letter is spelt out.
SPELT = str.maketrans(
    {
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "þ": "th",
        "Þ": "TH",
        **dict(zip("øØđĐłŁðı’‘–—", "oOdDlLdi''--", strict=True)),
    }
)
NOT_ALLOWED = re.compile(r"[^A-Z0-9 .&'/-]")
NOBODY = "ACCOUNT HOLDER"


def plain(text: str, width: int, otherwise: str = NOBODY) -> str:
    """Return a name in the characters of a file, at most `width` of them; `otherwise` when no letter or digit is left.

    >>> plain("Zoë Núñez-Groß", 22), plain("Ψ", 22)
    ('ZOE NUNEZ-GROSS', 'ACCOUNT HOLDER')
    """
    decomposed = unicodedata.normalize("NFKD", text.translate(SPELT))
    letters = "".join(c for c in decomposed if not unicodedata.combining(c)).upper()
    cleaned = " ".join(NOT_ALLOWED.sub(" ", letters).split())[:width].rstrip()
    return cleaned if any(c.isalnum() for c in cleaned) else otherwise[:width]

"""What somebody typed into the search means. Pure: no database, no clock."""

import re
import string
from dataclasses import dataclass
from enum import Enum

LEAST_LETTERS = 2
LEAST_DIGITS = 3
SHORT_WORD = 5
_NUMBER = re.compile(r"h-?\s*(\d{1,9})", re.IGNORECASE | re.ASCII)
_APART = re.compile(r"""[\s,;:/()\[\]"&+_-]+""", re.ASCII)
_DROPPED = str.maketrans("", "", "'`.")
_DIGITS = re.compile(r"[\d\s().+/-]+", re.ASCII)


class Sought(Enum):
    """The sorts of things a family is looked for by."""

    NOTHING = "nothing"
    NUMBER = "household number"
    PHONE = "telephone"
    EMAIL = "e-mail"
    NAME = "name"


@dataclass(frozen=True)
class Asked:
    """What is looked for: its sort, and the text to look for as it stands in the index (names are made plain there)."""

    sought: Sought
    text: str


def classify(text: str) -> Asked:
    """Tell what was typed: digits are a telephone number, an @ makes an address, H-12 is a household, letters are a name.

    >>> classify("(312) 555-01"), classify("h12").text, classify("riv").sought
    (Asked(sought=<Sought.PHONE: 'telephone'>, text='31255501'), 'H-00012', <Sought.NAME: 'name'>)
    """
    text = " ".join(text.replace("\x00", " ").split())[:120]
    number = _NUMBER.fullmatch(text)
    if number:
        return Asked(Sought.NUMBER, f"H-{int(number[1]):05d}")
    if "@" in text:
        return Asked(Sought.EMAIL, text.lower())
    if _DIGITS.fullmatch(text):
        digits = re.sub(r"\D", "", text)
        if len(digits) == 11 and digits.startswith("1"):
            digits = digits[1:]
        return Asked(Sought.PHONE, digits) if len(digits) >= LEAST_DIGITS else Asked(Sought.NOTHING, "")
    return Asked(Sought.NAME, text) if len(text) >= LEAST_LETTERS else Asked(Sought.NOTHING, "")


def plain_ascii(text: str) -> list[str] | None:
    """Spell a name of plain letters as the index does, its words apart; None where only the database can (accents).

    The same as the database's `search_words`, without asking it.

    >>> plain_ascii("Rivera, Ana"), plain_ascii("O'Neal-St. Clair"), plain_ascii("García")
    (['rivera', 'ana'], ['oneal', 'st', 'clair'], None)
    """
    if not text.isascii():
        return None
    return [word for word in _APART.split(text.lower().translate(_DROPPED)) if word]


def near_spellings(word: str) -> list[str]:
    """List spellings one slip away: two letters swapped; in a short word also one letter left out, doubled in, or wrong.

    Shared groups of three letters tell long misspelt words; in short ones and swapped ones too few are left to share.

    >>> "garcia" in near_spellings("garica"), "lee" in near_spellings("leo"), len(near_spellings("rivera"))
    (True, True, 5)
    """
    cuts = [(word[:place], word[place:]) for place in range(len(word) + 1)]
    swapped = {head + tail[1] + tail[0] + tail[2:] for head, tail in cuts if len(tail) > 1 and tail[0] != tail[1]}
    near = sorted(swapped)
    if len(word) <= SHORT_WORD:
        letters = string.ascii_lowercase
        left_out = {head + tail[1:] for head, tail in cuts if tail}
        wrong = {head + letter + tail[1:] for head, tail in cuts if tail for letter in letters}
        put_in = {head + letter + tail for head, tail in cuts for letter in letters}
        near += sorted((left_out | wrong | put_in) - swapped - {word, ""})
    return near


def known_from(text: str) -> dict[str, str]:
    """Take over what was typed into the search, so that nobody types it twice."""
    words = text.replace("\x00", "").split()
    if "@" in text:
        return {"email": text.strip()}
    if any(letter.isdigit() for letter in text):
        return {"phone": text.strip()}
    return {"given_name": " ".join(words[:-1]), "family_name": words[-1]} if words else {}

"""What a page of the form must be told before the next, how long forms are kept, and which codes families can read out. Pure."""

import datetime
import secrets

LETTERS = "BCDFGHJKMNPQRSTVWXYZ23456789"
"""Of a family's code: no vowels, so that no word comes of it, and nothing that is taken for something else (0 O, 1 I L)."""
CODE_LENGTH = 4
KEPT_AFTER_NIGHT = datetime.timedelta(days=14)
KEPT_UNFINISHED = datetime.timedelta(days=7)
MOST_CHILDREN = 8

FAMILY_PAGES = ("who", "reach", "street", "town")
CHILD_PAGES = ("student", "program", "instrument", "size", "protection")
PAGES = FAMILY_PAGES + CHILD_PAGES


def new_code() -> str:
    """Draw a family's code; 614,656 of them. Whether it is free says the database."""
    return "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))


def new_door_code() -> str:
    """Draw the code of a night's door: 128 bits of chance in 22 letters."""
    return secrets.token_urlsafe(16)


def read_code(text: str) -> tuple[str, int | None] | None:
    """Read a family's code as people write it: "k7qx" gives ("K7QX", None), "K7QX-2" ("K7QX", 2); None for anything else.

    >>> read_code(" k7 qx "), read_code("K7QX-2"), read_code("Rivera")
    (('K7QX', None), ('K7QX', 2), None)
    """
    head, _, place = "".join(text.upper().split()).partition("-")
    if len(head) != CODE_LENGTH or set(head) - set(LETTERS) or (place and not (place.isdecimal() and place.isascii())):
        return None
    return head, int(place) if place else None


def pages_of(*, has_sizes: bool, programmes: int) -> tuple[str, ...]:
    """Return the pages a family answers, in order: the size of bowed strings only, the program only where there is a choice."""
    left_out = {*(() if has_sizes else ("size",)), *(() if programmes > 1 else ("program",))}
    return tuple(page for page in PAGES if page not in left_out)


def next_open(pages: tuple[str, ...], answered: set[str]) -> str | None:
    """Return the first page that is not answered yet; None when all are.

    >>> next_open(("who", "reach", "street"), {"who", "street"})
    'reach'
    """
    return next((page for page in pages if page not in answered), None)


def purge_before(today: datetime.date) -> datetime.date:
    """Return the day: forms for nights before it are deleted.

    >>> purge_before(datetime.date(2026, 12, 15))
    datetime.date(2026, 12, 1)
    """
    return today - KEPT_AFTER_NIGHT


def fits(programme_kind: str, *, family: str, code: str) -> bool:
    """Tell whether a band or an orchestra asks for a kind of instrument (common practice, no source).

    >>> fits("orchestra", family="string", code="viola"), fits("band", family="string", code="viola")
    (True, False)
    """
    if programme_kind == "orchestra":
        return family == "string"
    return family != "string" or code == "bass"

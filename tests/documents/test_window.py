"""Where the address of a letter stands, as it is seen through the window of its envelope. Measured by PDFium, not by ours."""

import re
from dataclasses import fields

import pypdfium2
import pytest

from rentals.documents.kinds import KINDS
from rentals.documents.pages import Addressee
from rentals.documents.templatetags.papers import broken, in_the_window
from tests.documents import samples
from tests.documents.test_pdf import render

INCH = 72.0
ENVELOPE_HIGH, ENVELOPE_WIDE = 4.125, 9.5
WINDOW_HIGH, WINDOW_WIDE, WINDOW_LEFT, WINDOW_BOTTOM = 1.125, 4.5, 0.875, 0.5
"""A #10 envelope with a single window (envelope makers' pages)."""
FOLD, SHEET_WIDE, CLEAR = 3.875, 8.5, 0.125
"""The sheet is folded at its mark; 1/8 in stays clear around the address (USPS Publication 25, 3-9)."""
PLAY_DOWN, PLAY_ACROSS = ENVELOPE_HIGH - FOLD, ENVELOPE_WIDE - SHEET_WIDE
WINDOW_TOP = ENVELOPE_HIGH - WINDOW_BOTTOM - WINDOW_HIGH
SAFE = (
    WINDOW_LEFT + CLEAR,
    WINDOW_TOP + CLEAR,
    WINDOW_LEFT + WINDOW_WIDE - PLAY_ACROSS - CLEAR,
    WINDOW_TOP + WINDOW_HIGH - PLAY_DOWN - CLEAR,
)
"""Left, top, right, bottom on the sheet of what is seen, with 1/8 in clear, wherever the sheet slides."""
SEEN = (WINDOW_LEFT - PLAY_ACROSS, WINDOW_TOP - PLAY_DOWN, WINDOW_LEFT + WINDOW_WIDE, WINDOW_TOP + WINDOW_HIGH)
"""The same of what can come into the window at all."""

LETTERS = sorted(
    code
    for code, kind in KINDS.items()
    if {"addressee", "guardian"} & {field.name for field in fields(kind.page)} and code != "receipt"
)
"""Every kind with an address; a receipt is handed over."""
FAMILIES = {
    "short": Addressee("Maren Oldacre", ("418 Larkspur Street APT 2", "Fenwick IL  60655")),
    "long": Addressee(
        "MARGUERITE OLDACRE-VILLANUEVA",
        ("C/O HOLLIS OLDACRE", "41800 NORTH LARKSPUR STREET APT 21", "FENWICK IL  60655-0042"),
    ),
    "longer": Addressee(
        "MARGUERITE WILHELMINA OLDACRE-VILLANUEVA AND HOLLIS MAXIMILIAN OLDACRE-VILLANUEVA",
        ("C/O WILLOUGHBY HOLLINGSWORTH", "41800 NORTH LARKSPUR STREET APT 21", "FENWICK IL  60655-0042"),
    ),
}


def seen_through(content: bytes) -> list[tuple[str, float, float, float, float]]:
    """Return each letter of the first page that can come into the window: text, left, top, right, bottom, in inches."""
    document = pypdfium2.PdfDocument(content)
    page = document[0]
    text, high = page.get_textpage(), page.get_height()
    found = []
    for place in range(text.count_chars()):
        letter = text.get_text_range(place, 1)
        left, bottom, right, top = text.get_charbox(place)
        box = (left / INCH, (high - top) / INCH, right / INCH, (high - bottom) / INCH)
        if letter.strip() and box[0] < SEEN[2] and box[2] > SEEN[0] and box[1] < SEEN[3] and box[3] > SEEN[1]:
            found.append((letter, *box))
    document.close()
    return found


def has_ink_around(content: bytes) -> bool:
    """Tell whether anything at all is drawn where the window can see, outside of where the address must be."""
    document = pypdfium2.PdfDocument(content)
    picture = document[0].render(scale=2, grayscale=True).to_pil()
    document.close()
    at = [round(inches * INCH * 2) for inches in SAFE]
    picture.paste(255, tuple(at))
    area = picture.crop(tuple(max(0, round(inches * INCH * 2)) for inches in SEEN))
    return area.getextrema()[0] < 250


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("kind", LETTERS)
def test_the_whole_address_shows_and_nothing_else(kind: str, family: str):
    to = FAMILIES[family]
    content = render(kind, **{"guardian" if kind == "agreement" else "addressee": to})
    letters = seen_through(content)
    assert "".join(letter for letter, *_ in letters) == re.sub(r"\s", "", "".join((to.name, *to.lines)))
    for letter, left, top, right, bottom in letters:
        assert SAFE[0] <= left and right <= SAFE[2], (letter, left, right)
        assert SAFE[1] <= top and bottom <= SAFE[3], (letter, top, bottom)
    assert not has_ink_around(content)


def test_every_letter_is_among_them():
    assert set(LETTERS) >= {"agreement", "addendum", "overdue", "statement", "returned_payment", "estimate", "autopay_notice"}
    assert set(LETTERS) <= set(samples.EVERY_KIND)


def test_lies_where_the_post_reads():
    """Between 5/8 and 2 3/4 in from the bottom edge of the envelope, at least 1/2 in from the sides (DMM 202.2.1)."""
    for sheet_top in (0, PLAY_DOWN):
        assert ENVELOPE_HIGH - (sheet_top + SAFE[3]) >= 0.625
        assert ENVELOPE_HIGH - (sheet_top + SAFE[1]) <= 2.75


def test_no_place_suits_a_double_window_too():
    """A #10 double window shows the receiver from 2.042 in down, 0.875 in high (a print-and-mail developer guide).

    What both windows show is less than three lines of 8 points, the smallest type we print an address in.
    """
    common = min(2.042 + 0.875, SAFE[3]) - max(2.042, SAFE[1])
    assert 0 < common < 3 * 8 / INCH


class TestInTheWindow:
    def test_keeps_lines_as_they_are_where_they_fit(self):
        to = FAMILIES["short"]
        assert in_the_window(to) == {"lines": [to.name, *to.lines], "is_small": False}

    def test_cuts_a_name_that_fits_nowhere_and_never_the_zip_code(self):
        to = Addressee("Wilhelmina " * 30, ("C/O " + "Hollingsworth " * 9, "41800 NORTH LARKSPUR STREET", "FENWICK IL  60655"))
        fit = in_the_window(to)
        assert fit["is_small"]
        assert len(fit["lines"]) == 4
        assert fit["lines"][0].endswith("…") and fit["lines"][-1] == "FENWICK IL  60655"

    def test_breaks_a_word_that_has_no_spaces(self):
        parts = broken("W" * 90, 9.5)
        assert len(parts) > 2
        assert "".join(parts) == "W" * 90

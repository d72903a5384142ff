"""Where each label lies on its sheet, and what fits on it. Pure; lengths in millimetres."""

from collections.abc import Iterator
from dataclasses import dataclass

INCH = 25.4
NARROWEST = 0.19
"""The narrowest module of a Code 128 that our scanners' tests read at 203 and 300 dots per inch."""
WIDEST = 0.5
SMALLEST_SQUARE = 0.33
LARGEST_SQUARE = 0.75
"""Of a module of the QR Code."""
QR_MODULES = 29
"""Of the smallest QR Code (21), which holds every tag, and four light ones on each side."""
LOWEST_BARS = 4.0
"""Lower bars are left out: a hand does not hold a scanner that steady (common practice, no source)."""


@dataclass(frozen=True)
class Sheet:
    """A sheet or roll as its maker cut it; places are counted row by row from 1."""

    page_width: float
    page_height: float
    columns: int
    rows: int
    margin_left: float
    margin_top: float
    pitch_x: float
    pitch_y: float
    label_width: float
    label_height: float

    @property
    def labels_per_page(self) -> int:
        """How many labels a page has."""
        return self.columns * self.rows

    def corner_of(self, place: int) -> tuple[float, float]:
        """Return the upper left corner of a place of the sheet, from the page's upper left corner."""
        row, column = divmod(place - 1, self.columns)
        return self.margin_left + column * self.pitch_x, self.margin_top + row * self.pitch_y


def places(count: int, starts_at: int, labels_per_page: int) -> Iterator[tuple[int, int]]:
    """Give for each of `count` labels its page (from 0) and its place there (from 1), the first at `starts_at`.

    >>> list(places(3, starts_at=29, labels_per_page=30))
    [(0, 29), (0, 30), (1, 1)]
    """
    for number in range(starts_at - 1, starts_at - 1 + count):
        page, place = divmod(number, labels_per_page)
        yield page, place + 1


def count_pages(count: int, starts_at: int, labels_per_page: int) -> int:
    """Return how many sheets `count` labels take.

    >>> count_pages(30, 1, 30), count_pages(30, 2, 30), count_pages(0, 1, 30)
    (1, 2, 0)
    """
    return -(-(starts_at - 1 + count) // labels_per_page) if count else 0


def module_width(modules: int, width: float, dots_per_inch: int) -> float | None:
    """Return the width of a module so that so many fit into `width`: whole dots of the printer where that can be.

    Thermal printers set whole dots, so a module of 2 or 3 of them has edges where they belong. None when even the narrowest
    module does not fit.

    >>> module_width(121, 62.0, 203), module_width(295, 50.0, 203)
    (0.50049, None)
    """
    if modules * NARROWEST > width:
        return None
    dot = INCH / dots_per_inch
    most = min(WIDEST + 0.005, width / modules)
    dots = int(most / dot + 1e-9)
    return round(dots * dot, 5) if dots * dot >= NARROWEST else round(most - 0.000005, 5)


@dataclass(frozen=True)
class Face:
    """What stands where on a label of this size: lengths in millimetres. The QR Code's square takes its quiet zone along."""

    padding: float
    qr: float
    bars_height: float
    text_width: float
    tag_height: float
    what_height: float
    found_height: float

    @property
    def has_bars(self) -> bool:
        """Whether there is room for bars that a scanner can cross."""
        return self.bars_height >= LOWEST_BARS


def face_of(width: float, height: float, dots_per_inch: int) -> Face:
    """Share a label out: the QR Code in the upper right corner, words beside it, bars along the lower edge.

    The codes' quiet zones reach to the label's edge, where nothing else stands.
    """
    padding = min(2.0, height * 0.08)
    dot = INCH / dots_per_inch
    square = max(SMALLEST_SQUARE, min(LARGEST_SQUARE, height * 0.64 / QR_MODULES, width * 0.36 / QR_MODULES))
    dots = int(square / dot + 1e-9)
    square = dots * dot if dots * dot >= SMALLEST_SQUARE else square
    qr = square * QR_MODULES
    bars = min(height - padding - qr, max(7.5, height * 0.24))
    words = height - 2 * padding - bars - 0.5 if bars >= LOWEST_BARS else height - 2 * padding
    return Face(
        padding=round(padding, 3),
        qr=round(qr, 3),
        bars_height=round(bars, 3),
        text_width=round(width - padding - qr, 3),
        tag_height=round(min(12.0, words * 0.42), 3),
        what_height=round(min(5.0, words * 0.21), 3),
        found_height=round(min(3.4, words * 0.14), 3),
    )


@dataclass(frozen=True)
class Correction:
    """How a printer must be corrected: moved by millimetres, stretched by shares (1 is true to size)."""

    offset_x: float
    offset_y: float
    scale_x: float
    scale_y: float


def marks_of(page_width: float, page_height: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where the two crosses of a calibration sheet stand: near the upper left and the lower right corner, whole numbers.

    >>> marks_of(215.9, 279.4), marks_of(57, 32)
    (((20, 20), (195, 259)), ((5, 5), (52, 27)))
    """
    edge = int(min(20, min(page_width, page_height) * 0.17))
    return (edge, edge), (int(page_width - edge), int(page_height - edge))


def correct(
    marks: tuple[tuple[float, float], tuple[float, float]], measured: tuple[tuple[float, float], tuple[float, float]]
) -> Correction:
    """Return the correction for a printer that set the two crosses of an uncorrected sheet where they were `measured`.

    A printer that sets what should stand at p at a * p + b is corrected by the scale 1 / a and the offset -b / a.

    >>> correct(((20, 20), (195, 259)), ((21.5, 19), (196.5, 258)))
    Correction(offset_x=-1.5, offset_y=1.0, scale_x=1.0, scale_y=1.0)
    """
    offsets, scales = [], []
    for axis in (0, 1):
        stretch = (measured[1][axis] - measured[0][axis]) / (marks[1][axis] - marks[0][axis])
        moved = measured[0][axis] - stretch * marks[0][axis]
        scales.append(round(1 / stretch, 5))
        offsets.append(round(-moved / stretch, 3) + 0.0)
    return Correction(offsets[0], offsets[1], scales[0], scales[1])

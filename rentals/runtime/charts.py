"""Charts as geometry: series go in, places on a sheet come out. No database, no clock, no markup: templates draw it.

Every chart is laid out twice, for a desk and for a telephone, so that its words are readable on both. Series differ by stroke,
mark and hatching as well as by colour.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

CHARACTER = 7
"""About how wide a character of a chart's words is, in the sheet's units."""
TOP, BOTTOM, RIGHT = 12, 26, 24
BAR, BAR_GAP = 13, 9
LEAST_SPAN = 1e-6
"""Below this a scale would have steps that nobody can tell apart: it is drawn over one instead."""


def nice_number(value: float, *, nearest: bool) -> float:
    """Return 1, 2 or 5 times a power of ten: the nearest to a positive value, or the least that is not below it.

    Paul S. Heckbert, "Nice numbers for graph labels", in Graphics Gems (Academic Press, 1990), pages 61 to 63.

    >>> nice_number(109.5, nearest=True), nice_number(438, nearest=False)
    (100.0, 500.0)
    """
    power = math.floor(math.log10(value))
    share = value / 10.0**power
    steps = ((1.5, 1), (3, 2), (7, 5)) if nearest else ((1 + 1e-9, 1), (2 + 1e-9, 2), (5 + 1e-9, 5))
    nice = next((number for limit, number in steps if share < limit), 10)
    return float(nice * Decimal(10) ** power)


def ticks(least: float, most: float, about: int = 5) -> list[float]:
    """List round values that reach from below `least` to above `most`, about so many (Heckbert's loose labels).

    >>> ticks(105, 543)
    [100.0, 200.0, 300.0, 400.0, 500.0, 600.0]
    """
    if most - least < LEAST_SPAN:
        most = least + 1
    step = nice_number(nice_number(most - least, nearest=False) / (about - 1), nearest=True)
    first, last = math.floor(least / step + 1e-9), math.ceil(most / step - 1e-9)
    return [round(place * step, 10) for place in range(first, last + 1)]


@dataclass(frozen=True)
class Series:
    """One row of values under one name; None where there is nothing to say. Money may come as Decimal."""

    name: str
    values: Sequence[Decimal | float | int | None]


@dataclass(frozen=True)
class Text:
    """A word on the sheet; `anchor` is start, middle or end."""

    x: float
    y: float
    words: str
    anchor: str = "middle"


@dataclass(frozen=True)
class Line:
    """A straight line; `css` names what it is."""

    x1: float
    y1: float
    x2: float
    y2: float
    css: str = "chart-grid"


@dataclass(frozen=True)
class Bar:
    """A bar of a series (numbered from 1), with what it says when somebody points at it."""

    x: float
    y: float
    width: float
    height: float
    series: int
    words: str


@dataclass(frozen=True)
class Mark:
    """A point of a line: a dot for the first series, a square for the second."""

    x: float
    y: float
    series: int
    words: str


@dataclass(frozen=True)
class Stroke:
    """The line of a series, as the data of an SVG path: it breaks where a value is missing."""

    series: int
    path: str


@dataclass
class Drawing:
    """One layout: "wide" for a desk, "narrow" for a telephone."""

    name: str
    width: int
    height: int
    lines: list[Line] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)


@dataclass(frozen=True)
class Chart:
    """A chart with its words and its figures; `code` is unique on its page."""

    code: str
    title: str
    description: str
    kind: str
    names: Sequence[str]
    head: str
    rows: Sequence[tuple[str, Sequence[str]]]
    drawings: Sequence[Drawing]


WIDE, NARROW = ("wide", 760), ("narrow", 350)


@dataclass(frozen=True)
class Words:
    """What a chart is called, what it shows in one sentence, what its rows are, and how a value is written."""

    code: str
    title: str
    description: str
    head: str
    written: Callable[[Decimal | float], str]
    most: float | None = None


def line_chart(words: Words, labels: Sequence[str], series: Sequence[Series]) -> Chart:
    """Lay out values along a row of labels (months), a line for each series, upward from zero."""
    scale = _scale(words, series)
    drawings = [_lines(Drawing(name, width, 250), scale, words, labels, series) for name, width in (WIDE, NARROW)]
    return _chart(words, "lines", labels, series, drawings)


def bar_chart(words: Words, labels: Sequence[str], series: Sequence[Series]) -> Chart:
    """Lay out values as lying bars, a group for each label and a bar for each series, to the right from zero."""
    scale = _scale(words, series)
    drawings = [_bars(Drawing(name, width, 0), scale, words, labels, series) for name, width in (WIDE, NARROW)]
    return _chart(words, "bars", labels, series, drawings)


def _chart(words: Words, kind: str, labels: Sequence[str], series: Sequence[Series], drawings: list[Drawing]) -> Chart:
    rows = [(label, [_say(each.values[place], words) for each in series]) for place, label in enumerate(labels)]
    return Chart(words.code, words.title, words.description, kind, [each.name for each in series], words.head, rows, drawings)


def _say(value: Decimal | float | None, words: Words) -> str:
    return "" if value is None else words.written(value)


def _scale(words: Words, series: Sequence[Series]) -> list[float]:
    found = [float(value) for each in series for value in each.values if value is not None]
    least, most = min([0.0, *found]), words.most if words.most is not None else max([0.0, *found])
    return ticks(least, most)


def _lines(sheet: Drawing, scale: list[float], words: Words, labels: Sequence[str], series: Sequence[Series]) -> Drawing:
    left = CHARACTER * max(len(words.written(tick)) for tick in scale) + 10
    wide, high = sheet.width - left - RIGHT, sheet.height - TOP - BOTTOM

    def across(place: int) -> float:
        return round(left + (wide * (place + 0.5) / len(labels) if labels else 0), 1)

    def up(value: float) -> float:
        return round(TOP + high * (scale[-1] - value) / (scale[-1] - scale[0]), 1)

    for tick in scale:
        sheet.lines.append(Line(left, up(tick), sheet.width - RIGHT, up(tick), "chart-axis" if tick == 0 else "chart-grid"))
        sheet.texts.append(Text(left - 6, up(tick) + 4, words.written(tick), "end"))
    every = _every(labels, wide)
    sheet.texts += [
        Text(across(place), sheet.height - 8, label)
        for place, label in enumerate(labels)
        if (len(labels) - 1 - place) % every == 0
    ]
    for number, each in enumerate(series, 1):
        points = [(across(p), up(float(v)), v, labels[p]) for p, v in enumerate(each.values) if v is not None]
        sheet.strokes.append(Stroke(number, _path(each.values, across, up)))
        if len(points) <= 40:
            sheet.marks += [Mark(x, y, number, f"{label}, {each.name}: {words.written(v)}") for x, y, v, label in points]
    return sheet


def _every(labels: Sequence[str], wide: float) -> int:
    """How many labels apart there is room for the next one."""
    longest = max((len(label) for label in labels), default=1)
    room = max(1, int(wide // (CHARACTER * (longest + 2))))
    every = math.ceil(len(labels) / room) if labels else 1
    return next((step for step in (1, 2, 3, 4, 6, 12) if step >= every), every)


def _path(values: Sequence[Decimal | float | int | None], across: Callable[[int], float], up: Callable[[float], float]) -> str:
    parts, begun = [], False
    for place, value in enumerate(values):
        if value is None:
            begun = False
            continue
        parts.append(f"{'L' if begun else 'M'}{across(place)} {up(float(value))}")
        begun = True
    return "".join(parts)


def _bars(sheet: Drawing, scale: list[float], words: Words, labels: Sequence[str], series: Sequence[Series]) -> Drawing:
    """Wide: the labels stand left of their bars. Narrow: above them."""
    is_wide = sheet.name == "wide"
    left = CHARACTER * max((len(label) for label in labels), default=0) + 12 if is_wide else 8
    head = 0 if is_wide else 18
    group = head + BAR * len(series) + BAR_GAP
    sheet.height = TOP + group * len(labels) + BOTTOM
    right = CHARACTER * max(len(words.written(tick)) for tick in scale) + 8
    wide = sheet.width - left - right

    def along(value: float) -> float:
        return round(left + wide * (value - scale[0]) / (scale[-1] - scale[0]), 1)

    shown = scale if is_wide or len(scale) <= 4 else [tick for place, tick in enumerate(scale) if place % 2 == 0]
    for tick in shown:
        css = "chart-axis" if tick == 0 else "chart-grid"
        sheet.lines.append(Line(along(tick), TOP, along(tick), sheet.height - BOTTOM, css))
        sheet.texts.append(Text(along(tick), sheet.height - 8, words.written(tick)))
    for place, label in enumerate(labels):
        top = TOP + group * place + BAR_GAP / 2
        middle = top + BAR * len(series) / 2 + 4
        sheet.texts.append(Text(left - 8, middle, label, "end") if is_wide else Text(left + 6, top + 13, label, "start"))
        for number, each in enumerate(series, 1):
            value = each.values[place]
            if value is None:
                continue
            zero, end = along(0), along(float(value))
            said = f"{label}, {each.name}: {words.written(value)}"
            y = top + head + BAR * (number - 1)
            sheet.bars.append(Bar(min(zero, end), y, round(abs(end - zero), 1), BAR - 2, number, said))
    return sheet

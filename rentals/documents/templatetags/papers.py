"""What only printed pages need: the sections of a signed text, the drawing of a signature, the lines of an address."""

import functools
import re
from typing import Any

from django import template
from django.contrib.staticfiles import finders
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext

register = template.Library()

PATH = re.compile(r"(?:[ML] ?-?\d+(?:\.\d+)?[ ,]-?\d+(?:\.\d+)? ?)+")
NUMBERS = re.compile(r"[ML] ?(-?\d+(?:\.\d+)?)[ ,](-?\d+(?:\.\d+)?)")
EDGE = 6
ADDRESS_WIDE = 3.2 * 72
ADDRESS_SIZES = ((9.5, 4), (8.0, 5))
"""Sizes in points, and how many lines of each stand in the window's clear part (0.61 in; paper.css)."""


class SignatureUnreadableError(ValueError):
    """A drawn signature is no plain path of M and L steps."""


@register.filter
def sections(text: str) -> list[tuple[str, list[str]]]:
    """Cut a signed text at its blank lines into sections of a heading ("" when it has none) and paragraphs; no word is changed.

    >>> sections("Care\\nThe shop cleans it.\\n\\nIt is yours.")
    [('Care', ['The shop cleans it.']), ('', ['It is yours.'])]
    """
    found = []
    for block in re.split(r"\n\s*\n", text.strip()):
        first, *rest = [line.strip() for line in block.split("\n") if line.strip()] or [""]
        has_heading = bool(rest) and not first.endswith((".", ":", ";", ","))
        found.append((first, rest) if has_heading else ("", [first, *rest]))
    return found


@register.simple_tag
def signature_drawing(path: str, name: str) -> SafeString:
    """Draw a signature from its path of M and L steps, fitted to its own extent. Raises SignatureUnreadableError."""
    path = " ".join(path.split())
    if not PATH.fullmatch(path):
        raise SignatureUnreadableError("the signature's drawing has steps other than M and L")
    points = [(float(x), float(y)) for x, y in NUMBERS.findall(path)]
    left, top = min(x for x, _ in points) - EDGE, min(y for _, y in points) - EDGE
    width, height = max(x for x, _ in points) + EDGE - left, max(y for _, y in points) + EDGE - top
    return format_html(
        '<svg role="img" aria-label="{}" viewBox="{} {} {} {}" preserveAspectRatio="xMinYMax meet">'
        '<path d="{}" fill="none" stroke="#10224a" stroke-width="{}" stroke-linecap="round" stroke-linejoin="round"/></svg>',
        gettext("Signature of %(name)s") % {"name": name},
        f"{left:g}",
        f"{top:g}",
        f"{width:g}",
        f"{height:g}",
        path,
        f"{max(height, width / 5) / 45:.2f}",
    )


@register.simple_tag
def in_the_window(to: Any) -> dict[str, Any]:
    """Break an addressee's lines so that all of it shows in the window: `lines`, and `is_small` where only small type fits.

    What is too long for five small lines is cut at the end of its own line, never the ZIP code's.
    """
    written = (to.name, *to.lines)
    for size, most in ADDRESS_SIZES:
        lines = [part for line in written for part in broken(line, size)]
        if len(lines) <= most:
            return {"lines": lines, "is_small": size != ADDRESS_SIZES[0][0]}
    lines = [f"{parts[0][:-1]}…" if len(parts) > 1 else parts[0] for parts in (broken(line, size) for line in written)]
    return {"lines": [*lines[: most - 1], lines[-1]] if len(lines) > most else lines, "is_small": True}


def broken(line: str, size: float) -> list[str]:
    """Break a line between words, a word only where it alone is too long. Spaces between words stay as they are."""
    found = [""]
    for word in re.findall(r"\S+\s*", line):
        if found[-1] and width_of((found[-1] + word).rstrip(), size) > ADDRESS_WIDE:
            found.append("")
        found[-1] += word
        while width_of(found[-1].rstrip(), size) > ADDRESS_WIDE:
            fits = next(n for n in range(len(found[-1]), 0, -1) if width_of(found[-1][:n], size) <= ADDRESS_WIDE)
            found[-1:] = [found[-1][:fits], found[-1][fits:]]
    return [part.rstrip() for part in found]


def width_of(text: str, size: float) -> float:
    """Return how wide a text of the office's regular font is, in points; a letter that it lacks counts as wide as an M."""
    advances, widest, units = _advances()
    return sum(advances.get(letter, widest) for letter in text) / units * size


@functools.cache
def _advances() -> tuple[dict[str, int], int, int]:
    from fontTools.ttLib import TTFont

    with TTFont(finders.find("fonts/HankenGrotesk-Regular.ttf")) as font:
        measures = font["hmtx"]
        advances = {chr(code): int(measures[name][0]) for code, name in font.getBestCmap().items()}
        return advances, advances["M"], int(font["head"].unitsPerEm)

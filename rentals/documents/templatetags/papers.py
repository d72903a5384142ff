"""What only printed pages need: the sections of a signed text, and the drawing of a signature."""

import re

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext

register = template.Library()

PATH = re.compile(r"(?:[ML] ?-?\d+(?:\.\d+)?[ ,]-?\d+(?:\.\d+)? ?)+")
NUMBERS = re.compile(r"[ML] ?(-?\d+(?:\.\d+)?)[ ,](-?\d+(?:\.\d+)?)")
EDGE = 6


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

"""Labels to PDF: what stands on each, drawn at its place, moved and stretched as the printer needs it.

Reads no database: the caller gives the sheet, the printer, the office's lines and the labels.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.template.loader import render_to_string

from rentals.documents import pdf
from rentals.inventory.labelling import codes, sheets
from rentals.inventory.labelling.sheets import Face, Sheet


@dataclass(frozen=True)
class Printer:
    """How a printer errs: moved by millimetres, stretched by shares (1 is true to size)."""

    dots_per_inch: int = 300
    offset_x: float = 0
    offset_y: float = 0
    scale_x: float = 1
    scale_y: float = 1


@dataclass(frozen=True)
class Label:
    """What stands on one label: the tag, and the kind and size. Nothing of a family's, ever."""

    tag: str
    what: str


def print_labels(
    *, sheet: Sheet, printer: Printer, labels: Sequence[Label], starts_at: int, found: Sequence[str], title: str
) -> bytes:
    """Return the PDF of labels, the first at place `starts_at` of the first sheet. `found` are the lines of the office.

    About 12 ms of processor time a label; never call it inside a transaction that holds locks.
    Raises CannotMakePdfError where Pango is missing.
    """
    face = sheets.face_of(sheet.label_width, sheet.label_height, printer.dots_per_inch)
    pages: list[list[dict[str, Any]]] = [[] for _ in range(sheets.count_pages(len(labels), starts_at, sheet.labels_per_page))]
    spots = sheets.places(len(labels), starts_at, sheet.labels_per_page)
    for label, (page, place) in zip(labels, spots, strict=True):
        pages[page].append(_drawn(label, place, sheet, face, printer.dots_per_inch))
    sizes = sorted({size for page in pages for label in page for size in (label["tag_size"], label["what_size"])})
    found_height = min([face.found_height, *(_fitted(line, face.found_height, face.text_width, bold=False) for line in found)])
    html = render_to_string("inventory/labels/sheet.html", {"title": title, "pages": pages, "found": found})
    more = {"sizes": [{"name": size, "length": size / 100} for size in sizes], "found_height": f"{found_height:.3f}"}
    return pdf.print_sheet(html, _style(sheet, printer, **_face(face), **more))


def _drawn(label: Label, place: int, sheet: Sheet, face: Face, dots_per_inch: int) -> dict[str, Any]:
    """Draw both codes; a tag too long for its bars on this label has the QR Code alone."""
    modules = codes.code_128(label.tag)
    count = len(modules) + 2 * codes.QUIET_BARS
    width = sheets.module_width(count, sheet.label_width, dots_per_inch) if face.has_bars else None
    square = codes.qr_code(label.tag)
    return {
        "place": place,
        "tag": label.tag,
        "what": label.what,
        "tag_size": int(_fitted(label.tag, face.tag_height, face.text_width, bold=True) * 100),
        "what_size": int(max(_fitted(label.what, face.what_height, face.text_width, bold=True), face.what_height * 0.6) * 100),
        "bars": codes.bars_path(modules) if width else "",
        "bars_modules": count,
        "bars_width": f"{count * (width or 0):.3f}",
        "bars_height": f"{face.bars_height:.3f}",
        "qr": codes.squares_path(square),
        "qr_modules": len(square) + 2 * codes.QUIET_SQUARES,
    }


@cache
def _font(name: str) -> Any:
    from PIL import ImageFont

    return ImageFont.truetype(str(pdf.own_file(f"office:fonts/HankenGrotesk-{name}.ttf")), 1000)


def _fitted(text: str, size: float, width: float, *, bold: bool) -> float:
    """Return the type size, at most `size`, at which a text fits into `width`: by the font’s widths, with some to spare."""
    length = float(_font("Bold" if bold else "Regular").getlength(text)) / 1000
    return min(size, 0.98 * width / length) if length else size


def print_calibration(*, sheet: Sheet, printer: Printer, title: str, words: Sequence[str]) -> bytes:
    """Return a sheet with the outline of every label and two crosses whose places are known, to hold against a sheet of labels.

    Raises CannotMakePdfError where Pango is missing.
    """
    first, second = sheets.marks_of(sheet.page_width, sheet.page_height)
    outlines = [sheet.corner_of(place) for place in range(1, sheet.labels_per_page + 1)]
    context = {
        "title": title,
        "words": words if min(sheet.page_width, sheet.page_height) > 90 else [],
        "width": f"{sheet.page_width:.3f}",
        "height": f"{sheet.page_height:.3f}",
        "outlines": "".join(
            f"M{left:.3f} {top:.3f}h{sheet.label_width:.3f}v{sheet.label_height:.3f}h-{sheet.label_width:.3f}z"
            for left, top in outlines
        ),
        "crosses": "".join(f"M{x - 4} {y}h8M{x} {y - 4}v8" for x, y in (first, second)),
        "sharp": "".join(f"M{x - 1} {y - 1}h2v2h-2z" for x, y in (first, second)),
    }
    html = render_to_string("inventory/labels/calibration_sheet.html", context)
    return pdf.print_sheet(html, _style(sheet, printer))


def _face(face: Face) -> dict[str, dict[str, str]]:
    """Write the lengths of a face, and where its lines of words stand."""
    lengths = {name: getattr(face, name) for name in ("padding", "qr", "text_width")}
    what_top = face.padding + face.tag_height * 1.04
    found_bottom = face.padding + (face.bars_height + 0.4 if face.has_bars else 0)
    return {
        "face": {name: f"{each:.3f}" for name, each in {**lengths, "what_top": what_top, "found_bottom": found_bottom}.items()}
    }


def _style(sheet: Sheet, printer: Printer, **more: Any) -> str:
    spots = [(number, sheet.corner_of(number)) for number in range(1, sheet.labels_per_page + 1)]
    names = ("page_width", "page_height", "label_width", "label_height")
    context = {
        "sheet": {name: f"{getattr(sheet, name):.3f}" for name in names},
        "printer": {
            "offset_x": f"{printer.offset_x:.3f}",
            "offset_y": f"{printer.offset_y:.3f}",
            "scale_x": f"{printer.scale_x:.5f}",
            "scale_y": f"{printer.scale_y:.5f}",
        },
        "places": [{"number": number, "left": f"{left:.3f}", "top": f"{top:.3f}"} for number, (left, top) in spots],
    }
    return render_to_string("inventory/labels/sheet.css", context | more)

"""The PDF of labels as other programs see it: drawn by PDFium at the densities of label printers, read by zxing-cpp."""

import io
import math
from collections import Counter

import pikepdf
import pypdfium2
import pytest
import zxingcpp
from PIL import Image

from rentals.inventory.labelling import printing, sheets
from rentals.inventory.labelling.printing import Label, Printer
from rentals.inventory.labelling.sheets import Sheet

INCH = 25.4
LETTER = Sheet(215.9, 279.4, 3, 10, 4.763, 12.7, 69.85, 25.4, 66.675, 25.4)
A4 = Sheet(210, 297, 3, 8, 7.5, 12.5, 65.5, 34, 64, 34)
CASES = Sheet(215.9, 279.4, 2, 5, 3.969, 12.7, 106.362, 50.8, 101.6, 50.8)
ROLL = Sheet(57, 32, 1, 1, 0, 0, 57, 32, 57, 32)
FOUND = ["If found: Tamarack Strings & Winds", "(612) 555-0100"]


def labels(count: int) -> list[Label]:
    return [Label(f"VN-{1000 + number}", "Violin 3/4") for number in range(count)]


def made(sheet: Sheet = LETTER, what: list[Label] | None = None, starts_at: int = 1, **printer) -> bytes:
    given = what if what is not None else labels(sheet.labels_per_page)
    return printing.print_labels(
        sheet=sheet, printer=Printer(**printer), labels=given, starts_at=starts_at, found=FOUND, title="Labels"
    )


def pages(content: bytes, dots_per_inch: float) -> list[Image.Image]:
    with pypdfium2.PdfDocument(content) as document:
        return [page.render(scale=dots_per_inch / 72).to_pil().convert("L") for page in document]


def read(picture: Image.Image) -> Counter:
    return Counter((str(code.format), code.text) for code in zxingcpp.read_barcodes(picture))


def ink(picture: Image.Image, below: int = 128) -> tuple[int, int, int, int]:
    """Left, top, right and bottom edge of what is dark."""
    box = picture.point(lambda level: 255 if level < below else 0).getbbox()
    assert box
    return box


@pytest.mark.parametrize("dots_per_inch", [203, 300])
@pytest.mark.parametrize("sheet", [LETTER, A4, CASES, ROLL], ids=["letter", "a4", "cases", "roll"])
def test_every_code_of_a_full_sheet_is_read_at_the_printers_density(sheet, dots_per_inch):
    (picture,) = pages(made(sheet, dots_per_inch=dots_per_inch), dots_per_inch)
    wanted = [label.tag for label in labels(sheet.labels_per_page)]
    assert read(picture) == Counter((kind, tag) for tag in wanted for kind in ("Code 128", "QR Code"))


@pytest.mark.parametrize("dots_per_inch", [203, 300])
def test_the_longest_and_the_shortest_tag_are_read(dots_per_inch):
    tags = ["ABC", "TR-000123-7", "Q" * 20, "W-9-W-9-W-9-W-9-W-9W"]
    (picture,) = pages(made(what=[Label(tag, "Horn") for tag in tags], dots_per_inch=dots_per_inch), dots_per_inch)
    assert read(picture) == Counter((kind, tag) for tag in tags for kind in ("Code 128", "QR Code"))


def test_survives_a_crooked_hand():
    (picture,) = pages(made(ROLL, [Label("TR-000123-7", "Trombone")]), 300)
    crooked = picture.rotate(17, expand=True, fillcolor=255, resample=Image.Resampling.BICUBIC)
    assert ("QR Code", "TR-000123-7") in read(crooked)
    half = crooked.resize((crooked.width // 2, crooked.height // 2), Image.Resampling.LANCZOS)
    assert ("QR Code", "TR-000123-7") in read(half)


def test_a_tag_too_long_for_its_bars_keeps_its_qr_code():
    narrow = Sheet(30, 25, 1, 1, 0, 0, 30, 25, 30, 25)
    (picture,) = pages(made(narrow, [Label("W-9-W-9-W-9-W-9-W-9W", "Horn")]), 600)
    assert read(picture) == Counter({("QR Code", "W-9-W-9-W-9-W-9-W-9W"): 1})


class TestWhereItLies:
    """Drawn at 508 dots per inch, a millimetre is 20 dots."""

    DOTS = 508

    def picture(self, **printer) -> Image.Image:
        (drawn,) = pages(made(ROLL, labels(1), **printer), self.DOTS)
        return drawn

    @pytest.mark.parametrize(("right", "down"), [(1.5, 0), (0, -0.85), (-1.2, 0.6)])
    def test_the_printers_offset_moves_the_ink_by_exactly_so_many_millimetres(self, right, down):
        before, after = ink(self.picture()), ink(self.picture(offset_x=right, offset_y=down))
        moved = [(there - here) / 20 for here, there in zip(before, after, strict=True)]
        assert moved == pytest.approx([right, down, right, down], abs=0.051)

    def test_the_printers_scale_stretches_from_the_pages_corner(self):
        before, after = ink(self.picture()), ink(self.picture(scale_x=1.02, scale_y=0.97))
        wanted = [before[0] * 1.02, before[1] * 0.97, before[2] * 1.02, before[3] * 0.97]
        assert after == pytest.approx(wanted, abs=1.1)

    def test_a_correction_undoes_what_the_printer_does(self):
        """A printer sets p at 1.01 p + 2.5 across and 0.985 p - 1.25 down; by the crosses that is found out."""
        marks = sheets.marks_of(LETTER.page_width, LETTER.page_height)
        measured = tuple((1.01 * x + 2.5, 0.985 * y - 1.25) for x, y in marks)
        found = sheets.correct(marks, measured)
        for x, y in [*marks, (0, 0), (100, 200)]:
            sent = (found.scale_x * x + found.offset_x, found.scale_y * y + found.offset_y)
            assert (1.01 * sent[0] + 2.5, 0.985 * sent[1] - 1.25) == pytest.approx((x, y), abs=0.02)

    def test_every_label_keeps_to_its_own_place(self):
        (drawn,) = pages(made(LETTER), self.DOTS)
        for place in range(1, 31):
            left, top = LETTER.corner_of(place)
            box = [round(edge * 20) for edge in (left, top, left + LETTER.label_width, top + LETTER.label_height)]
            inner = ink(drawn.crop((box[0], box[1], box[2], box[3])))
            assert min(inner[0], inner[1], box[2] - box[0] - inner[2], box[3] - box[1] - inner[3]) >= 0.9 * 20, place

    def test_begins_where_it_is_told_and_goes_on_over_the_page(self):
        drawn = pages(made(LETTER, labels(4), starts_at=29), 203)
        assert [len(read(page)) for page in drawn] == [4, 4]
        first = min(code.position.top_left.y for code in zxingcpp.read_barcodes(drawn[0]))
        assert first > 0.86 * drawn[0].height, "the first sheet is used up to its last row"

    def test_the_calibration_sheet_has_its_crosses_where_it_says(self):
        content = printing.print_calibration(sheet=LETTER, printer=Printer(offset_x=1, offset_y=-1), title="Check", words=["x"])
        (drawn,) = pages(content, self.DOTS)
        for x, y in sheets.marks_of(LETTER.page_width, LETTER.page_height):
            left, top = x + 1 - 4.5, y - 1 - 4.5
            around = drawn.crop(tuple(round(edge * 20) for edge in (left, top, left + 9, top + 9)))
            dark = [[around.getpixel((column, row)) < 128 for column in range(180)] for row in range(180)]
            lines, columns = [sum(row) for row in dark], [sum(column) for column in zip(*dark, strict=True)]
            assert columns.index(max(columns)) == pytest.approx(90, abs=3)
            assert lines.index(max(lines)) == pytest.approx(90, abs=3)


class TestModules:
    @pytest.mark.parametrize("dots_per_inch", [203, 300, 600])
    @pytest.mark.parametrize("width", [57, 66.675, 101.6])
    def test_are_whole_dots_of_the_printer_and_neither_too_thin_nor_too_thick(self, dots_per_inch, width):
        for count in range(80, int(width / 0.26)):
            module = sheets.module_width(count, width, dots_per_inch)
            assert module * count <= width + 0.01
            assert 0.19 <= module <= 0.51
            if dots_per_inch != 203 or module >= 0.25:
                dots = module / (INCH / dots_per_inch)
                assert dots == pytest.approx(round(dots), abs=0.02)

    def test_two_dots_at_203_are_a_quarter_of_a_millimetre(self):
        assert sheets.module_width(230, 60, 203) == pytest.approx(0.25, abs=0.001)
        assert math.isclose(2 * INCH / 203, 0.25, abs_tol=0.001)


class TestTheFile:
    def test_asks_not_to_be_fitted_to_the_page_and_has_its_size(self):
        with pikepdf.open(io.BytesIO(made(ROLL, labels(3)))) as document:
            assert document.Root.ViewerPreferences.PrintScaling == "/None"
            assert len(document.pages) == 3
            box = [float(edge) for edge in document.pages[0].MediaBox]
            assert box == pytest.approx([0, 0, 57 / INCH * 72, 32 / INCH * 72], abs=0.5)

    def test_says_the_tag_the_kind_and_size_and_whom_to_call(self):
        with pypdfium2.PdfDocument(made(ROLL, [Label("VN-1042", "Violin 3/4")])) as document:
            text = document[0].get_textpage().get_text_bounded()
        for words in ("VN-1042", "Violin 3/4", *FOUND):
            assert words in text

    def test_the_same_labels_give_the_same_bytes(self):
        assert made(ROLL, labels(2)) == made(ROLL, labels(2))

"""The codes of a label, against the published patterns and worked examples of Code 128 and QR Code."""

import csv
import io
import math
from pathlib import Path

import pytest
import segno
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from rentals.inventory import rules
from rentals.inventory.labelling import codes

DATA = Path(__file__).parents[1] / "data" / "barcode_check_digits.csv"
STOP = "1100011101011"
"""Stop pattern of ISO/IEC 15417 (from memory; the reader below agrees)."""
# A few patterns of ISO/IEC 15417, as its widths are printed everywhere (from memory; the reader below agrees).
WIDTHS = {0: "212222", 16: "123122", 33: "111323", 104: "211214", 105: "211232", 99: "113141", 100: "114131"}


def worked_examples() -> list[dict[str, str]]:
    with DATA.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def check_of(values: list[int]) -> int:
    """Add up as the standard says."""
    return (values[0] + sum(place * value for place, value in enumerate(values[1:], 1))) % 103


def table() -> dict[str, int]:
    """Value by pattern, of the library that writes them; `WIDTHS` and the reader hold it."""
    from barcode.charsets import code128

    return {pattern: value for value, pattern in enumerate(code128.CODES)}


def values_of(modules: str) -> list[int]:
    patterns = table()
    body = modules.removesuffix(STOP)
    return [patterns[body[begin : begin + 11]] for begin in range(0, len(body), 11)]


def widths_of(pattern: str) -> str:
    found, last = [], ""
    for module in pattern:
        if module == last:
            found[-1] += 1
        else:
            found.append(1)
        last = module
    return "".join(str(width) for width in found)


tags = st.from_regex(rules.TAG_FORM, fullmatch=True).filter(lambda text: text.isascii())


class TestCode128:
    @pytest.mark.parametrize("line", worked_examples(), ids=lambda line: line["data"])
    def test_the_sum_is_the_published_one(self, line):
        assert check_of([int(value) for value in line["values"].split()]) == int(line["check"])

    @pytest.mark.parametrize(("text", "sets"), [("abcdef", "B"), ("345678", "C")])
    def test_draws_the_published_check_character_where_the_sets_are_ours(self, text, sets):
        line = next(line for line in worked_examples() if (line["data"], line["sets"]) == (text, sets))
        values = values_of(codes.code_128(text))
        assert values[-1] == int(line["check"])
        assert values[:-1] == [int(value) for value in line["values"].split()]

    @pytest.mark.parametrize("text", ["PJJ123C", "HI345678", "ABCDEF", "FL-1042"])
    def test_begins_in_set_b_or_c_so_other_check_characters_are_right_too(self, text):
        values = values_of(codes.code_128(text))
        assert values[0] in {104, 105}
        assert values[-1] == check_of(values[:-1])

    def test_patterns_are_the_standards(self):
        by_value = {value: pattern for pattern, value in table().items()}
        assert {value: widths_of(by_value[value]) for value in WIDTHS} == WIDTHS

    @given(tags)
    def test_every_tag_is_drawn_whole_and_ends_with_the_stop(self, tag):
        modules = codes.code_128(tag)
        values = values_of(modules)
        assert modules.endswith(STOP)
        assert values[-1] == check_of(values[:-1])
        assert set(modules) == {"0", "1"}

    def test_every_letter_a_tag_may_have_is_in_set_b(self):
        """Set B holds ASCII 32 to 127 (ISO/IEC 15417)."""
        assert all(32 <= ord(letter) <= 127 for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-")

    @pytest.mark.parametrize("module", [2, 3, 4])
    def test_another_program_reads_the_path_back(self, module):
        modules = codes.code_128("TR-000123-7")
        width = (len(modules) + 2 * codes.QUIET_BARS) * module
        picture = Image.new("L", (width, 80), 255)
        pen = ImageDraw.Draw(picture)
        for begin, length in codes.runs(modules):
            left = (codes.QUIET_BARS + begin) * module
            pen.rectangle((left, 0, left + length * module - 1, 79), fill=0)
        (found,) = zxingcpp.read_barcodes(picture)
        assert (str(found.format), found.text) == ("Code 128", "TR-000123-7")


def drawn(rows: tuple[str, ...], module: int) -> Image.Image:
    side = (len(rows) + 2 * codes.QUIET_SQUARES) * module
    picture = Image.new("L", (side, side), 255)
    pen = ImageDraw.Draw(picture)
    for line, row in enumerate(rows):
        for begin, length in codes.runs(row):
            left, top = (codes.QUIET_SQUARES + begin) * module, (codes.QUIET_SQUARES + line) * module
            pen.rectangle((left, top, left + length * module - 1, top + module - 1), fill=0)
    return picture


class TestQrCode:
    @given(tags)
    def test_is_the_smallest_full_one_and_never_a_micro(self, tag):
        assert len(codes.qr_code(tag)) == 21, "version 1 of ISO/IEC 18004; Micro QR has 11 to 17"

    def test_left_to_itself_the_library_would_make_a_micro(self):
        assert segno.make("TR-000123-7").is_micro

    @pytest.mark.parametrize("tag", ["ABC", "TR-000123-7", "A" * 20])
    def test_survives_a_crooked_hand_and_a_small_picture(self, tag):
        picture = drawn(codes.qr_code(tag), 10).rotate(17, expand=True, fillcolor=255, resample=Image.Resampling.BICUBIC)
        side = round(80 * (abs(math.cos(math.radians(17))) + abs(math.sin(math.radians(17)))))
        for shrunk in (picture, picture.resize((side, side), Image.Resampling.LANCZOS)):
            (found,) = zxingcpp.read_barcodes(shrunk)
            assert (str(found.format), found.text) == ("QR Code", tag)


def test_paths_draw_what_the_modules_say():
    assert codes.bars_path("1101") == "M10 0h2v1h-2zM13 0h1v1h-1z"
    assert codes.squares_path(("10", "01")) == "M4 4h1v1h-1zM5 5h1v1h-1z"
    assert io.StringIO(codes.bars_path(codes.code_128("FL-1042"))).read().count("M") == codes.code_128("FL-1042").count("01") + 1

"""Where a sheet ends: nothing of a table or a signature stands alone on the next. Common practice of setting type, no source."""

import datetime
import re
from decimal import Decimal

import pypdfium2
import pytest

from rentals.documents import pages, pdf
from rentals.documents.kinds import KINDS
from tests.documents import samples
from tests.documents.test_pdf import payload_of, render, text_of

DAY = datetime.date(2026, 10, 3)


def sheets_of(content: bytes) -> list[str]:
    """Return what stands on each page, read by PDFium."""
    return [page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(content)]


def overdue(count: int) -> list[str]:
    items = tuple(pages.OverdueItem(DAY, f"Rent row {n:02}", Decimal("33.02")) for n in range(count))
    return sheets_of(render("overdue", items=items, total=Decimal("33.02") * count))


def checks(count: int) -> list[str]:
    cheques = tuple(pages.SlipCheque(f"Check row {n:02}", "Oldacre", Decimal("60.00")) for n in range(count))
    return sheets_of(render("deposit_slip", cheques=cheques))


class TestATable:
    def test_goes_on_with_two_rows_at_least_and_its_total(self):
        turned = 0
        for count in range(18, 26):
            *_, last = overdue(count)
            rows = len(re.findall(r"row \d\d", last))
            assert rows != 1, count
            assert "Total past due" not in last or rows, count
            turned += bool(rows)
        assert turned, "no table of these was long enough for a second sheet"

    def test_begins_with_two_rows_at_least(self):
        first_sheets = [checks(count)[0] for count in range(24, 34)]
        assert all(len(re.findall(r"row \d\d", sheet)) > 1 for sheet in first_sheets)
        assert all(len(re.findall(r"row \d\d", checks(count)[-1])) != 1 for count in range(24, 34))


class TestASignature:
    @pytest.mark.parametrize("language", ["en", "es"])
    @pytest.mark.parametrize("prices", [{}, {"before": (), "after": ()}], ids=["with prices", "without"])
    def test_takes_something_of_what_is_signed_along(self, language: str, prices: dict):
        alone, turned = [], 0
        for count in range(4, 22):
            said = tuple(f"Sentence {n} of what was changed." for n in range(count))
            first, *more = sheets_of(render("addendum", language=language, paragraphs=said, **prices))
            turned += bool(more)
            last = [first, *more][-1]
            if "Sentence" not in last and "$24.50" not in last:
                alone.append(count)
        assert turned > 2
        assert not alone

    def test_its_moment_ends_without_a_second_period(self):
        assert "p.m.." not in text_of(render("addendum", language="es"))


class TestPrices:
    def test_no_heading_stands_over_nothing(self):
        assert "Until now" not in text_of(render("addendum", before=()))


class TestALine:
    @pytest.mark.parametrize("shift", range(12))
    def test_does_not_end_inside_a_telephone_number_or_an_address_of_mail(self, shift: int):
        said = f"{'a ' * (48 + shift)}(312) 555-0101 or {'b ' * shift}front.desk@larkfield.example in the morning."
        page = "\n".join(sheets_of(render("recall", paragraphs=(said,))))
        assert "(312) 555-0101" in page
        assert "front.desk@larkfield.example" in page

    def test_a_name_that_looks_like_one_is_no_tag(self):
        page = samples.agreement(signer="a@b.example", signature_path="M 1 1 L 9 9", signature_method="drawn")
        html = pdf.render_html(kind=KINDS["agreement"], payload=payload_of(page), title="T", language="en")
        assert 'aria-label="Signature of a@b.example"' in html


class TestALetterhead:
    def test_on_half_a_sheet_no_line_ends_with_a_dot(self):
        lines = sheets_of(render("receipt"))[0].splitlines()
        assert not [line for line in lines if line.rstrip().endswith("·")]

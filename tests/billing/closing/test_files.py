"""Reports as files: the same rows in the same order everywhere, nothing that runs in a spreadsheet, numbers that stay numbers."""

import csv
import io
from decimal import Decimal

import pypdf
import pytest
from python_calamine import CalamineWorkbook

from billing.closing import files, papers
from billing.closing.reports import catalog
from billing.closing.reports.table import Report, Row, columns, money
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.runtime.exports import unguarded
from tests.billing.closing.conftest import FEBRUARY, MARCH, at

D = Decimal
DANGEROUS = ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1"]


def danger():
    made = tuple(Row((text, D("-12.50"))) for text in DANGEROUS)
    return Report("x", "X", MARCH, (*columns("What"), *money("Amount")), made, ())


def read_csv(text):
    return list(csv.reader(io.StringIO(text.removeprefix(files.MARK), newline="")))


def read_xlsx(content):
    return CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0).to_python()


class TestCsv:
    def test_guards_text_that_would_run_and_leaves_numbers_alone(self):
        # OWASP Application Security Verification Standard 5.0, 1.2.10.
        found = read_csv(files.to_csv(danger()))[1:-1]
        assert [row[0] for row in found] == [f"'{text}" for text in DANGEROUS]
        assert {row[1] for row in found} == {"-12.50"}

    def test_comes_in_again_as_it_went_out(self):
        back = [(unguarded(row[0]), D(row[1])) for row in read_csv(files.to_csv(danger()))[1:-1]]
        assert back == [row.cells for row in danger().rows]


class TestXlsx:
    def test_text_is_text_and_numbers_are_numbers(self):
        found = read_xlsx(files.to_xlsx(danger()))[1:-1]
        # A spreadsheet writes a carriage return in a cell as a new line (ECMA-376, text in XML).
        assert [row[0].replace("\n", "\r") for row in found] == DANGEROUS
        assert {row[1] for row in found} == {-12.5}

    def test_says_that_such_text_is_text(self):
        import zipfile

        with zipfile.ZipFile(io.BytesIO(files.to_xlsx(danger()))) as parts:
            assert b'quotePrefix="1"' in parts.read("xl/styles.xml")
            assert b"<f>" not in parts.read("xl/worksheets/sheet1.xml")

    def test_the_same_figures_give_the_same_bytes(self, books):
        report = catalog.KINDS["tax"].make(FEBRUARY)
        assert files.to_xlsx(report) == files.to_xlsx(report)


@pytest.mark.parametrize("code", list(catalog.KINDS))
class TestEveryForm:
    def test_has_the_rows_and_the_order_of_the_screen(self, books, client_as, code):
        report = catalog.KINDS[code].make(FEBRUARY)
        plain = read_csv(files.to_csv(report))
        sheet = read_xlsx(files.to_xlsx(report))
        page = files.to_page(report)
        shown = client_as("bookkeeper").get(f"/books/reports/{code}/?month=2026-02&empty=1").context
        first = [str(row.cells[0]) for row in report.lines]
        assert [row[0] for row in plain[1:]] == first
        assert [str(row[0]) for row in sheet[1:]] == first
        assert [line.cells[0] for line in page.lines] == first
        assert [cells[0][0] for _, cells in shown["rows"]] == first[: len(report.rows)]
        assert plain[0] == sheet[0] == [column.label for column in page.columns]

    def test_has_the_figures_of_the_screen_to_the_cent(self, books, code):
        report = catalog.KINDS[code].make(FEBRUARY)
        plain, sheet = read_csv(files.to_csv(report))[1:], read_xlsx(files.to_xlsx(report))[1:]
        for row, as_text, as_cells in zip(report.lines, plain, sheet, strict=True):
            for cell, text, value in zip(row.cells, as_text, as_cells, strict=True):
                if isinstance(cell, D):
                    assert D(text) == cell == D(str(value)).quantize(D("0.01"))


class TestPaper:
    def test_is_made_once_of_the_same_figures(self, books):
        report = catalog.KINDS["receivables"].make(FEBRUARY)
        first = papers.ask_for_report(report=report, now=at(3, 1)[0])
        assert papers.ask_for_report(report=report, now=at(3, 2)[0]) == first
        other = papers.ask_for_report(report=catalog.KINDS["receivables"].make(MARCH), now=at(3, 2)[0])
        assert other != first

    def test_carries_the_letterhead_the_rows_and_the_number_of_pages(self, books):
        document = papers.ask_for_report(report=catalog.KINDS["receivables"].make(FEBRUARY), now=at(3, 1)[0])
        documents.make_document(document_id=document.pk, now=at(3, 1)[0])
        made = Document.objects.get(pk=document.pk)
        text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(bytes(made.content))).pages)
        for words in (
            "Rental office",
            "Receivables, rolled forward, February 2026",
            "$78.30",
            "$71.65",
            "Page 1 of 1",
            "the same.",
        ):
            assert words in text

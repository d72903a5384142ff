"""What the PDFs are, as other programs read them (pikepdf, which is QPDF, and pypdf)."""

import hashlib
import io
import re
import socket
from decimal import Decimal

import pikepdf
import pypdf
import pytest
from fontTools.ttLib import TTFont

from rentals.documents import pdf
from rentals.documents.codec import to_payload
from rentals.documents.kinds import COVER, KINDS, Kind
from rentals.documents.pages import Addressee, KitLine
from rentals.documents.templatetags.papers import sections
from rentals.runtime.bootstrap import PROJECT
from tests.documents import samples

INCH = 72.0


def payload_of(page) -> dict:
    return {"page": to_payload(page), "office": to_payload(samples.LETTERHEAD)}


def render(kind: str, title: str = "A letter to a family", language: str = "en", **changes) -> bytes:
    page = samples.EVERY_KIND[kind](**changes)
    return pdf.render_pdf(kind=KINDS[kind], payload=payload_of(page), title=title, language=language)


def text_of(content: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


def words_at(content: bytes) -> list[tuple]:
    """Return the first page's runs of text: text, left and baseline from the top in inches, size in points, font."""
    page = pypdf.PdfReader(io.BytesIO(content)).pages[0]
    height = float(page.mediabox.height)
    found = []

    def visit(text, cm, tm, font, size):
        if text.strip():
            matrix = multiplied(tm, cm)
            found.append((" ".join(text.split()), matrix[4] / INCH, (height - matrix[5]) / INCH, size * abs(matrix[3]), font))

    page.extract_text(visitor_text=visit)
    return found


def width_of(line: str, size: float) -> float:
    """Return how wide a line is in inches, by the advance widths in the font file itself."""
    with TTFont(PROJECT / "static/fonts/HankenGrotesk-Regular.ttf") as font:
        names, advances = font.getBestCmap(), font["hmtx"]
        return sum(advances[names[ord(letter)]][0] for letter in line) / font["head"].unitsPerEm * size / INCH


def multiplied(a, b) -> list[float]:
    return [
        a[0] * b[0] + a[1] * b[2],
        a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2],
        a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4],
        a[4] * b[1] + a[5] * b[3] + b[5],
    ]


@pytest.mark.parametrize("kind", samples.EVERY_KIND)
class TestEveryKind:
    def test_the_same_page_gives_the_same_bytes(self, kind: str):
        first, second = render(kind), render(kind)
        assert hashlib.sha256(first).hexdigest() == hashlib.sha256(second).hexdigest()

    def test_is_made_to_pdf_a_3a_tagged_titled_and_in_its_language(self, kind: str):
        with pikepdf.open(io.BytesIO(render(kind))) as made, made.open_metadata() as meta:
            assert made.Root.MarkInfo.Marked
            assert "/StructTreeRoot" in made.Root
            assert str(made.Root.Lang) == "en"
            assert made.Root.OutputIntents[0].S == "/GTS_PDFA1"
            assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "A")
            assert "A letter to a family" in meta["dc:title"]
            assert made.check_pdf_syntax() == []

    def test_embeds_every_font_and_uses_only_ours(self, kind: str):
        with pikepdf.open(io.BytesIO(render(kind))) as made:
            fonts = [font for page in made.pages for font in page.Resources.Font.values()]
            assert fonts
            for font in fonts:
                descriptor = font.DescendantFonts[0].FontDescriptor
                assert {"/FontFile2", "/FontFile3"} & set(descriptor.keys())
                assert "+Office" in str(descriptor.FontName), "not from our own font files"

    def test_counts_its_pages(self, kind: str):
        content = render(kind)
        pages = pypdf.PdfReader(io.BytesIO(content)).pages
        for number, page in enumerate(pages, 1):
            assert f"Page {number} of {len(pages)}" in page.extract_text()

    def test_fits_in_a_mail(self, kind: str):
        assert len(render(kind)) <= 40_000

    def test_runs_no_script_and_opens_nothing(self, kind: str):
        content = render(kind)
        with pikepdf.open(io.BytesIO(content)) as made:
            keys = {str(key) for thing in made.objects if isinstance(thing, pikepdf.Dictionary) for key in thing}
        assert not keys & {"/JavaScript", "/JS", "/Launch", "/OpenAction", "/EmbeddedFiles"}


class TestTheWindow:
    """A sheet folded 3 7/8 in from the top, in a #10 envelope: 4 1/8 x 9 1/2 in, window 1 1/8 x 4 1/2 in, 7/8 in from left and
    1/2 in from the bottom (envelope makers' pages). The whole address stays visible wherever the sheet slides, with 1/8 in clear
    (USPS Publication 25, 3-9), and lies where the post's readers look: between 5/8 and 2 3/4 in from the bottom edge, at least
    1/2 in from the sides (DMM 202.2.1).
    """

    ENVELOPE_HIGH, ENVELOPE_WIDE = 4.125, 9.5
    WINDOW_HIGH, WINDOW_WIDE, WINDOW_LEFT, WINDOW_BOTTOM = 1.125, 4.5, 0.875, 0.5
    FOLD, SHEET_WIDE, CLEAR = 3.875, 8.5, 0.125

    def safe_box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom on the sheet of what is seen wherever the sheet slides."""
        play_down, play_across = self.ENVELOPE_HIGH - self.FOLD, self.ENVELOPE_WIDE - self.SHEET_WIDE
        window_top = self.ENVELOPE_HIGH - self.WINDOW_BOTTOM - self.WINDOW_HIGH
        top, bottom = window_top, window_top + self.WINDOW_HIGH - play_down
        left, right = self.WINDOW_LEFT, self.WINDOW_LEFT + self.WINDOW_WIDE - play_across
        return left + self.CLEAR, top + self.CLEAR, right - self.CLEAR, bottom - self.CLEAR

    def seen_box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom on the sheet of what can come into the window at all."""
        play_down, play_across = self.ENVELOPE_HIGH - self.FOLD, self.ENVELOPE_WIDE - self.SHEET_WIDE
        window_top = self.ENVELOPE_HIGH - self.WINDOW_BOTTOM - self.WINDOW_HIGH
        right = self.WINDOW_LEFT + self.WINDOW_WIDE
        return self.WINDOW_LEFT - play_across, window_top - play_down, right, window_top + self.WINDOW_HIGH

    @pytest.mark.parametrize("kind", ["agreement", "overdue", "cleaning"])
    def test_shows_the_whole_address_and_nothing_else(self, kind: str):
        to = Addressee(
            "MARGUERITE OLDACRE-VILLANUEVA",
            ("C/O HOLLIS OLDACRE", "41800 NORTH LARKSPUR STREET APT 21", "FENWICK IL  60655-0042"),
        )
        content = render(kind, **{"guardian" if kind == "agreement" else "addressee": to})
        left, top, right, bottom = self.safe_box()
        runs = words_at(content)
        address = {line: next(run for run in runs if run[0] == " ".join(line.split())) for line in (to.name, *to.lines)}
        for line, (_text, x, baseline, size, _font) in address.items():
            assert left <= x and x + width_of(line, size) <= right, line
            assert top <= baseline - 0.75 * size / INCH and baseline + 0.22 * size / INCH <= bottom, (line, baseline, size)
        left, top, right, bottom = self.seen_box()
        seen = [run for run in runs if left <= run[1] <= right and top <= run[2] - 0.2 and run[2] - 0.1 <= bottom]
        assert sorted(run[0] for run in seen) == sorted(run[0] for run in address.values())

    def test_lies_where_the_post_reads(self):
        _left, top, _right, bottom = self.safe_box()
        for sheet_top in (0, self.ENVELOPE_HIGH - self.FOLD):
            assert self.ENVELOPE_HIGH - (sheet_top + bottom) >= 0.625
            assert self.ENVELOPE_HIGH - (sheet_top + top) <= 2.75


class TestNothingIsFetched:
    """OWASP ASVS 5.0, V1.3.6: the renderer follows no address from outside."""

    HOSTILE = (
        '<img src="file:///etc/passwd">',
        '<img src="http://127.0.0.1:9/x.png">',
        '<link rel="attachment" href="file:///etc/passwd">',
        "url(http://127.0.0.1:9/)",
        '"><style>@import url(http://127.0.0.1:9/x.css);</style>',
    )

    @pytest.fixture(autouse=True)
    def no_network(self, monkeypatch: pytest.MonkeyPatch):
        def refuse(*_, **__):
            raise AssertionError("something was fetched")

        monkeypatch.setattr(socket.socket, "connect", refuse)
        monkeypatch.setattr(socket, "create_connection", refuse)

    @pytest.mark.parametrize("name", HOSTILE)
    def test_a_name_is_only_ever_text(self, name: str):
        content = render("agreement", guardian=Addressee(name, ("1 Mill Lane", name)), student=name, terms=name, signer=name)
        plain = text_of(content)
        assert "root:" not in plain
        assert "".join(name.split()) in "".join(plain.split())
        with pikepdf.open(io.BytesIO(content)) as made:
            assert "/EmbeddedFiles" not in made.Root.get("/Names", {})

    @pytest.mark.parametrize(
        "address",
        [
            "file:///etc/passwd",
            "http://127.0.0.1:9/x.png",
            "office:fonts/../../rentals/settings.py",
            "office:/etc/passwd",
            "office:img/mark.svg?x",
            "data:image/svg+xml;base64,PHN2Zy8+",
            "ftp://127.0.0.1/x",
        ],
    )
    def test_even_a_template_gets_nothing_but_our_own_files(self, address: str):
        """The markup stands in the page itself here, as if a template had been wrong."""
        with pytest.raises(pdf.NotOurOwnFileError):
            pdf.own_file(address)
        html = (
            f'<html lang="en"><head><title>t</title><link rel="stylesheet" href="{address}">'
            f'<link rel="attachment" href="{address}"></head>'
            f'<body><p>Kept</p><img src="{address}" alt="a"><object data="{address}"></object>'
            f'<svg width="9" height="9"><image href="{address}" width="9" height="9"/><use href="{address}#a"/></svg></body>'
        )
        content = pdf.print_html(html)
        assert "Kept" in text_of(content)
        with pikepdf.open(io.BytesIO(content)) as made:
            assert "/EmbeddedFiles" not in made.Root.get("/Names", {})
            assert not any(page.Resources.get("/XObject", {}) for page in made.pages)

    def test_our_own_picture_is_shown(self):
        assert pdf.own_file("office:img/mark.svg").read_bytes().startswith(b"<svg")


class TestAgreement:
    def test_says_who_what_how_much_and_how_it_was_signed(self):
        plain = " ".join(text_of(render("agreement")).split())
        page = samples.agreement()
        for said in (
            "Rental agreement A-000017",
            "Larkfield Rentals and Maren Oldacre, (312) 555-0142",
            "Ivo Oldacre, Fenwick Middle School, Band",
            "CL-0117",
            "$33.02",
            "$55.01",
            "$1,617.98",
            "You do not own this instrument until",
            page.consent,
            "Sep 3, 2026, 5:41 PM",
            "Taken by Piet Sandoval",
        ):
            assert said in plain, said

    def test_the_last_page_carries_the_sha256_of_the_terms(self):
        pages = pypdf.PdfReader(io.BytesIO(render("agreement"))).pages
        assert hashlib.sha256(samples.TERMS.encode()).hexdigest() in "".join(pages[-1].extract_text().split())

    def test_a_drawn_signature_is_drawn_and_a_typed_one_is_written(self):
        drawn, typed = render("agreement"), render("agreement", signature_path="", signature_method="typed")

        def strokes(content: bytes) -> int:
            with pikepdf.open(io.BytesIO(content)) as made:
                return sum(str(step.operator) == "l" for page in made.pages for step in pikepdf.parse_content_stream(page))

        assert strokes(drawn) - strokes(typed) == 5
        assert text_of(typed).count("Maren Oldacre") == text_of(drawn).count("Maren Oldacre") + 1

    def test_refuses_a_signature_that_is_no_drawing(self):
        for path in ("M 0 0 A 1 1", 'M 0 0"/><script>', "L", "M 1"):
            with pytest.raises(ValueError, match="other than M and L"):
                render("agreement", signature_path=path)

    def test_a_long_kit_and_long_names_stay_on_the_paper(self):
        kit = tuple(
            KitLine("Method book with recordings, second edition, for the whole school year", 1, Decimal("9.99"))
            for _ in range(60)
        )
        content = render("agreement", kit=kit, student="Ann" * 30)
        for page in pypdf.PdfReader(io.BytesIO(content)).pages:
            assert f"of {len(pypdf.PdfReader(io.BytesIO(content)).pages)}" in page.extract_text()
        assert text_of(content).count("Method book") == 60


class TestOverdue:
    def test_each_step_has_its_words_and_none_threatens(self):
        texts = [" ".join(text_of(render("overdue", step=step)).split()) for step in (1, 2, 3)]
        assert "may have slipped by" in texts[0]
        assert "past due" in texts[1]
        assert "before our manager looks at the account" in texts[2]
        for text in texts:
            assert "$66.04" in text and "Dec 4, 2026" in text and "(312) 555-0101" in text
            assert not re.search(
                r"\b(legal action|court|lawyer|attorney|police|collection agency|credit bureau|must)\b", text, re.I
            )


class TestKinds:
    def test_every_kind_has_a_capability_of_the_one_table(self):
        from rentals.staff.policy import CAPABILITIES

        for kind in (*KINDS.values(), COVER):
            assert isinstance(kind, Kind)
            assert kind.capability in CAPABILITIES


class TestSections:
    def test_keeps_every_word_of_the_signed_text(self):
        text = "Care\nThe shop cleans it.\nYou keep it dry.\n\nNo heading here.\n\nEnding\nBring it back."
        cut = sections(text)
        assert cut == [
            ("Care", ["The shop cleans it.", "You keep it dry."]),
            ("", ["No heading here."]),
            ("Ending", ["Bring it back."]),
        ]
        assert " ".join([word for heading, rest in cut for word in (heading, *rest) if word]) == " ".join(text.split())

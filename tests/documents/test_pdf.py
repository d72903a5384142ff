"""What the PDFs are, as other programs read them (pikepdf, which is QPDF, and pypdf)."""

import hashlib
import http.client
import http.server
import io
import socket
import threading
from decimal import Decimal

import pikepdf
import pypdf
import pypdfium2
import pytest
import zxingcpp
from fontTools.ttLib import TTFont

from rentals.documents import pdf
from rentals.documents.codec import to_payload
from rentals.documents.kinds import COVER, KINDS, Kind
from rentals.documents.pages import Addressee, KitLine
from rentals.documents.templatetags.papers import sections
from rentals.runtime.bootstrap import PROJECT
from tests.documents import samples


def payload_of(page) -> dict:
    return {"page": to_payload(page), "office": to_payload(samples.LETTERHEAD)}


def render(kind: str, title: str = "A letter to a family", language: str = "en", **changes) -> bytes:
    page = samples.EVERY_KIND[kind](**changes)
    return pdf.render_pdf(kind=KINDS[kind], payload=payload_of(page), title=title, language=language)


def text_of(content: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


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


class TestARealListener:
    """OWASP ASVS 5.0, V1.3.6 and V13.2.4, with a server that would answer."""

    @pytest.fixture
    def listener(self):
        asked: list[str] = []

        class Answers(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                asked.append(self.path)
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_):
                """Say nothing."""

        with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Answers) as server:
            thread = threading.Thread(target=server.serve_forever, daemon=True)
            thread.start()
            yield server.server_address[1], asked
            server.shutdown()
            thread.join()

    def test_hears_who_asks(self, listener):
        port, asked = listener
        connection = http.client.HTTPConnection("127.0.0.1", port)
        connection.request("GET", "/x.png")
        connection.getresponse().read()
        connection.close()
        assert asked == ["/x.png"]

    @pytest.mark.parametrize("kind", ["agreement", "overdue", "returned_payment", "estimate"])
    def test_is_never_asked_by_a_familys_name(self, listener, kind: str):
        port, asked = listener
        name = f'<img src="http://127.0.0.1:{port}/x.png"><object data="file:///etc/passwd"></object>'
        to = Addressee(name, (f"url(http://127.0.0.1:{port}/y)", "Fenwick IL  60655"))
        content = render(
            kind, **{"guardian" if kind == "agreement" else "addressee": to}, title=f"@import 'http://127.0.0.1:{port}/z'"
        )
        assert content.startswith(b"%PDF")
        assert "root:" not in text_of(content)
        assert asked == []


class TestTheWorkOrder:
    def test_its_code_is_read_from_the_page(self):
        """Drawn by PDFium, read by zxing-cpp: neither is ours."""
        document = pypdfium2.PdfDocument(render("work_order"))
        picture = document[0].render(scale=200 / 72).to_pil()
        document.close()
        assert [(str(code.format), code.text) for code in zxingcpp.read_barcodes(picture)] == [("QR Code", "CL-0117")]

    def test_names_no_family_and_no_money(self):
        plain = text_of(render("work_order"))
        assert "Oldacre" not in plain and "$" not in plain and "Larkspur" not in plain


class TestTheRoster:
    def test_holds_names_and_instruments_and_nothing_else_of_a_family(self):
        plain = " ".join(text_of(render("roster")).split())
        assert "Oldacre, Ivo 5 Clarinet CL-0117 With the student" in plain
        assert "The van comes: Tue, Dec 1, 2026" in plain
        assert "$" not in plain and "Larkspur" not in plain


class TestFigures:
    def test_stand_under_each_other(self):
        """Every digit of the print fonts is as wide as every other, by the fonts' own tables."""
        for weight in ("Regular", "SemiBold", "Bold"):
            with TTFont(PROJECT / f"static/fonts/HankenGrotesk-{weight}.ttf") as font:
                names, measures = font.getBestCmap(), font["hmtx"]
                assert len({measures[names[ord(digit)]][0] for digit in "0123456789"}) == 1


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

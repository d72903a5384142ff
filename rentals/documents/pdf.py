"""HTML to PDF with WeasyPrint: no network, no files but the office's own fonts and pictures, the same bytes for the same page.

WeasyPrint and Pango are loaded on first use: half a second, and a machine without Pango still runs everything else.
"""

import functools
import io
import re
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.utils import translation

from rentals.documents.codec import from_payload
from rentals.documents.kinds import Kind
from rentals.documents.pages import Letterhead
from rentals.runtime.system import pango_problem

VARIANT = "pdf/a-3a"
"""Made to PDF/A-3a: archivable, tagged for screen readers, every font embedded. No validator has certified it."""

OWN_FILES = re.compile(r"office:((?:fonts/[A-Za-z0-9-]+\.ttf)|(?:img/[a-z0-9-]+\.(?:svg|png)))")
"""All that a page may refer to: `office:fonts/…` and `office:img/…`, from the office's own static files."""

UNPARTED = re.compile(r"(?:\(\d{3}\) \d{3}-\d{4}|[\w.+-]+@[\w-]+(?:\.[\w-]+)+)(?![^<>]*>)")
"""What is read in one piece, outside of tags: a telephone number, an address of mail."""

_one_at_a_time = threading.Lock()


class CannotMakePdfError(Exception):
    """This machine cannot make PDFs; the text says what to install."""


class NotOurOwnFileError(ValueError):
    """A page refers to something that is not one of the office's own fonts or pictures."""


def own_file(url: str) -> Path:
    """Return the file behind an `office:` address. Raises NotOurOwnFileError for every other address, whatever it names."""
    match = OWN_FILES.fullmatch(url)
    found = finders.find(match[1]) if match else None
    if not isinstance(found, str):
        raise NotOurOwnFileError("a document shows only the office's own fonts and pictures")
    return Path(found)


def render_html(*, kind: Kind, payload: dict[str, Any], title: str, language: str) -> str:
    """Fill a kind's template from a stored payload; translated and formatted in the family's language.

    No line ends inside a telephone number, nor inside an address of mail that fits on one.

    Raises PayloadError when the payload does not fit the kind's page.
    """
    page = from_payload(kind.page, payload["page"])
    office = from_payload(Letterhead, payload["office"])
    with translation.override(language):
        html = render_to_string(kind.template, {"page": page, "office": office, "title": title, "language": language})
    head, body, rest = html.partition("<body")
    return head + body + UNPARTED.sub(r'<span class="unparted">\g<0></span>', rest)


def render_pdf(*, kind: Kind, payload: dict[str, Any], title: str, language: str) -> bytes:
    """Make the PDF of a page. Takes 60 to 200 ms of processor time; never call it inside a transaction that holds locks.

    Raises CannotMakePdfError where Pango is missing; PayloadError when the payload does not fit.
    """
    html = render_html(kind=kind, payload=payload, title=title, language=language)
    return print_html(html)


def print_html(html: str) -> bytes:
    """Print one HTML page with the office's print style. Raises CannotMakePdfError where Pango is missing."""
    if problem := pango_problem():
        raise CannotMakePdfError(problem)
    with _one_at_a_time:
        press = _press()
        page = press.weasyprint.HTML(string=html, base_url="office:", url_fetcher=press.fetcher)
        made: bytes = page.write_pdf(stylesheets=[press.style], font_config=press.fonts, pdf_variant=VARIANT)
    return made


def print_sheet(html: str, css: str) -> bytes:
    """Print pages that bring their own style and size and must come out at exactly that size: labels, say.

    The viewer is told not to scale them to the paper. Raises CannotMakePdfError where Pango is missing.
    """
    if problem := pango_problem():
        raise CannotMakePdfError(problem)

    def unscaled(_document: Any, made: Any) -> None:
        made.catalog["ViewerPreferences"] = press.pydyf.Dictionary({"PrintScaling": "/None"})

    with _one_at_a_time:
        press = _press()
        style = press.weasyprint.CSS(string=css, url_fetcher=press.fetcher, font_config=press.fonts, base_url="office:")
        page = press.weasyprint.HTML(string=html, base_url="office:", url_fetcher=press.fetcher)
        made: bytes = page.write_pdf(stylesheets=[style], font_config=press.fonts, finisher=unscaled)
    return made


def join(papers: Iterable[tuple[str, bytes]]) -> bytes:
    """Join PDFs one behind the other into one, each found by its name in the viewer's outline ("" for none)."""
    from pypdf import PdfReader, PdfWriter

    joined = PdfWriter()
    for name, content in papers:
        first = len(joined.pages)
        for sheet in PdfReader(io.BytesIO(content)).pages:
            joined.add_page(sheet)
        if name:
            joined.add_outline_item(title=name, page_number=first)
    out = io.BytesIO()
    joined.write(out)
    return out.getvalue()


class _Press:
    """WeasyPrint with the print style and the fonts read once per process (a fifth faster than reading them each time)."""

    def __init__(self) -> None:
        import pydyf
        import weasyprint
        from weasyprint.text.fonts import FontConfiguration
        from weasyprint.urls import URLFetcher, URLFetcherResponse

        class OwnFilesOnly(URLFetcher):  # type: ignore[misc]
            """Answers from the office's own files and opens nothing else."""

            def fetch(self, url: str, headers: Any = None) -> Any:
                """Return an own file. Raises NotOurOwnFileError, which WeasyPrint turns into a picture left out."""
                path = own_file(url)
                return URLFetcherResponse(url, body=path.read_bytes())

        self.weasyprint, self.pydyf = weasyprint, pydyf
        self.fetcher = OwnFilesOnly()
        self.fonts = FontConfiguration()
        self.style = weasyprint.CSS(
            string=render_to_string("documents/paper.css"), url_fetcher=self.fetcher, font_config=self.fonts, base_url="office:"
        )


@functools.cache
def _press() -> _Press:
    return _Press()

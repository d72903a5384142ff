"""Sheets that are printed, used and thrown away: made from their page at once, never kept. And how a view answers with a PDF."""

from typing import Any

from django.http import HttpResponse

from rentals.documents.codec import PayloadError, to_payload
from rentals.documents.kinds import Kind
from rentals.documents.pdf import render_pdf
from rentals.documents.queries import get_letterhead


def print_now(*, kind: Kind, page: Any, title: str, language: str = "en") -> bytes:
    """Return the PDF of a page, with the office's letterhead as it stands. Takes up to half a second.

    Raises PayloadError when the page is not of the kind's sort; CannotMakePdfError where Pango is missing.
    """
    if not isinstance(page, kind.page):
        raise PayloadError(f"a document of kind {kind.code} shows a {kind.page.__name__}, not a {type(page).__name__}")
    payload = {"page": to_payload(page), "office": to_payload(get_letterhead())}
    return render_pdf(kind=kind, payload=payload, title=title, language=language)


def pdf_answer(content: bytes, name: str, *, save: bool = False) -> HttpResponse:
    """Answer with a PDF that the browser shows, or saves, and that nothing on the way keeps."""
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'{"attachment" if save else "inline"}; filename="{name}"'
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, no-store"
    return answer

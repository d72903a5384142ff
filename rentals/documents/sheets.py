"""Sheets that are printed, used and thrown away: made from their page at once, never asked for, never kept."""

from typing import Any

from rentals.documents.codec import PayloadError, to_payload
from rentals.documents.kinds import Kind
from rentals.documents.pdf import render_pdf
from rentals.documents.queries import get_letterhead


def print_now(*, kind: Kind, page: Any, title: str) -> bytes:
    """Return the PDF of a page, with the office's letterhead as it stands. Takes up to half a second; in English.

    Raises PayloadError when the page is not of the kind's sort; CannotMakePdfError where Pango is missing.
    """
    if not isinstance(page, kind.page):
        raise PayloadError(f"a document of kind {kind.code} shows a {kind.page.__name__}, not a {type(page).__name__}")
    payload = {"page": to_payload(page), "office": to_payload(get_letterhead())}
    return render_pdf(kind=kind, payload=payload, title=title, language="en")

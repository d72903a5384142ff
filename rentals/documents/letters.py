"""Letters for the printer: one PDF of many, sorted by ZIP code, with a cover sheet that says what follows."""

import datetime
import io
import re
from collections.abc import Collection
from dataclasses import dataclass

from rentals.documents import pdf, queries
from rentals.documents.codec import to_payload
from rentals.documents.kinds import COVER
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import BatchPage, LetterRow

MOST_LETTERS = 200
ZIP = re.compile(r"(\d{5})(-\d{4})?\s*$")


class NoLettersError(Exception):
    """None of these letters is ready to be printed."""


@dataclass(frozen=True)
class Batch:
    """A print batch: its bytes, and the messages in the order in which they lie in it."""

    content: bytes
    message_ids: tuple[int, ...]


def zip_of(address: str) -> str:
    """Return the ZIP code at the end of a postal address, "" when there is none (those letters come last).

    >>> zip_of("418 Larkspur Street\\nFenwick IL  60655"), zip_of("Fenwick")
    ('60655', '')
    """
    found = ZIP.search(address)
    return found[1] + (found[2] or "") if found else ""


def make_batch(*, message_ids: Collection[int], made_by: str, now: datetime.datetime) -> Batch:
    """Join the letters' archived PDFs behind a cover sheet. The archived bytes stay as they are; nothing is marked as printed.

    Raises NoLettersError; CannotMakePdfError where Pango is missing.
    """
    from pypdf import PdfReader, PdfWriter

    letters = sorted(queries.list_letters_to_print().filter(pk__in=message_ids)[:MOST_LETTERS], key=by_zip)
    if not letters:
        raise NoLettersError("None of these letters waits for the printer any more.")
    readers = [PdfReader(io.BytesIO(bytes(letter.document.content or b""))) for letter in letters if letter.document]
    rows = tuple(
        LetterRow(position, letter.to_name, zip_of(letter.to_address), letter.subject, len(reader.pages))
        for position, (letter, reader) in enumerate(zip(letters, readers, strict=True), 1)
    )
    page = BatchPage(made_at=now, made_by=made_by, letters=rows, sheets=sum(row.pages for row in rows))
    payload = {"page": to_payload(page), "office": to_payload(queries.get_letterhead())}
    cover = pdf.render_pdf(kind=COVER, payload=payload, title=f"{len(rows)} letters to post", language="en")
    joined = PdfWriter()
    for reader in [PdfReader(io.BytesIO(cover)), *readers]:
        for sheet in reader.pages:
            joined.add_page(sheet)
    out = io.BytesIO()
    joined.write(out)
    return Batch(out.getvalue(), tuple(letter.pk for letter in letters))


def by_zip(letter: OutboxMessage) -> tuple[bool, str, str, int]:
    """Order letters as they lie on the printer: by ZIP code, then name; those without a ZIP code last."""
    code = zip_of(letter.to_address)
    return (not code, code, letter.to_name, letter.pk)

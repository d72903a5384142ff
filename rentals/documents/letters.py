"""Print batches: letters that lie on the printer together, sorted by ZIP code, behind a cover sheet that says what follows.

A batch is a row before it is paper: which letters, in which order. Its PDF is archived and may be printed again after a jam;
only who looked at the paper says that it came out well, and only then are its letters printed.
"""

import datetime
import hashlib
import io
import re
from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import transaction

from rentals.documents import pdf, queries
from rentals.documents.codec import to_payload
from rentals.documents.kinds import COVER
from rentals.documents.models import Document, OutboxMessage, PrintBatch
from rentals.documents.pages import BatchPage, LetterRow
from rentals.runtime.locks import lock_one, lock_rows
from rentals.staff import operations as staff
from rentals.staff.models import User
from rentals.staff.policy import require

MOST_LETTERS = 200
ZIP = re.compile(r"(\d{5})(-\d{4})?\s*$")
State = PrintBatch.State


class NoLettersError(Exception):
    """None of these letters is ready to be printed."""


class BatchOverError(Exception):
    """The batch was noted as printed, or dissolved."""


class BatchNotMadeError(Exception):
    """The PDF of the batch is not made, so nothing of it can have come out of the printer."""


def zip_of(address: str) -> str:
    """Return the ZIP code at the end of a postal address, "" when there is none (those letters come last).

    >>> zip_of("418 Larkspur Street\\nFenwick IL  60655"), zip_of("Fenwick")
    ('60655', '')
    """
    found = ZIP.search(address)
    return found[1] + (found[2] or "") if found else ""


def by_zip(letter: OutboxMessage) -> tuple[bool, str, str, int]:
    """Order letters as they lie on the printer: by ZIP code, then name; those without a ZIP code last."""
    code = zip_of(letter.to_address)
    return (not code, code, letter.to_name, letter.pk)


@transaction.atomic
def make_batch(*, message_ids: Collection[int], request_key: UUID, acting_user: User, now: datetime.datetime) -> PrintBatch:
    """Fix which of these letters are printed together, and in which order; return the batch, numbered from 1.

    Letters that lie in another batch, were printed or are not made yet are left out; at most 200. Sent again with the same
    `request_key` it is the same batch. The PDF is made afterwards, by `make_pdf`.
    Raises PermissionDenied, NoLettersError, RequestKeyReusedError, RowsBusyError.
    """
    require(acting_user, "outbox.send")
    request: dict[str, Any] = {"letters": sorted(message_ids)}
    earlier = staff.claim_request(key=request_key, purpose="make_batch", request=request, acting_user=acting_user)
    if earlier is not None:
        return PrintBatch.objects.get(pk=earlier["batch_id"])
    ready = queries.list_letters_to_print().filter(pk__in=message_ids).defer("document__content", "document__payload")
    letters = sorted(lock_rows(ready)[0], key=by_zip)[:MOST_LETTERS]
    if not letters:
        raise NoLettersError("None of these letters waits for the printer any more.")
    batch = PrintBatch.objects.create(
        number=staff.take_number("print_batch"), letter_count=len(letters), made_at=now, made_by=acting_user
    )
    for position, letter in enumerate(letters, 1):
        letter.batch, letter.batch_position = batch, position
    OutboxMessage.objects.bulk_update(letters, ["batch", "batch_position"])
    staff.keep_answer(key=request_key, answer={"batch_id": batch.pk})
    return batch


def make_pdf(*, batch: PrintBatch, now: datetime.datetime) -> Document:
    """Join the letters' archived PDFs behind a cover sheet, archive the whole, and return it; made once, however often asked.

    Outermost: rendering takes a second or two, and no lock is held meanwhile. The letters' own bytes stay as they are.
    Raises BatchOverError for a batch that was dissolved before its PDF was made; CannotMakePdfError where Pango is missing.
    """
    if batch.document is not None:
        return batch.document
    letters = list(batch.letters.select_related("document").order_by("batch_position"))
    content = _join(batch, letters)
    with transaction.atomic():
        kept: PrintBatch = lock_one(PrintBatch.objects.select_related("document").filter(pk=batch.pk))
        if kept.document is not None:
            return kept.document
        if kept.state != State.OPEN:
            raise BatchOverError("This batch was dissolved.")
        kept.document = Document.objects.create(
            key=f"batch/{kept.number}",
            kind=COVER.code,
            about=f"batch/{kept.number}",
            title=f"{kept}, {kept.letter_count} letters",
            payload={"letters": [letter.pk for letter in letters]},
            state=Document.State.MADE,
            content=content,
            sha256=hashlib.sha256(content).hexdigest(),
            asked_at=kept.made_at,
            made_at=now,
        )
        kept.save(update_fields=["document"])
    return kept.document


@transaction.atomic
def note_printed(*, batch: PrintBatch, acting_user: User, now: datetime.datetime) -> PrintBatch:
    """Note that a batch came out of the printer well: all its letters are printed and go out with the post.

    Raises PermissionDenied, BatchOverError, BatchNotMadeError.
    """
    kept = _open(batch, acting_user)
    if kept.document_id is None:
        raise BatchNotMadeError("The PDF of this batch is not made yet: make and print it first.")
    kept.letters.update(state=OutboxMessage.State.PRINTED, sent_at=now)
    return _end(kept, State.PRINTED, acting_user, now)


@transaction.atomic
def dissolve(*, batch: PrintBatch, acting_user: User, now: datetime.datetime) -> PrintBatch:
    """Let the letters of a batch go: they wait for the printer again. What was printed of it is to be thrown away.

    Raises PermissionDenied, BatchOverError.
    """
    kept = _open(batch, acting_user)
    kept.letters.update(batch=None, batch_position=None)
    return _end(kept, State.DISSOLVED, acting_user, now)


def _open(batch: PrintBatch, acting_user: User) -> PrintBatch:
    require(acting_user, "outbox.send")
    kept: PrintBatch = lock_one(PrintBatch.objects.filter(pk=batch.pk))
    if kept.state != State.OPEN:
        raise BatchOverError(f"Somebody ended this batch before: {kept.get_state_display().lower()}.")
    return kept


def _end(batch: PrintBatch, state: str, acting_user: User, now: datetime.datetime) -> PrintBatch:
    batch.state, batch.ended_at, batch.ended_by = state, now, acting_user
    batch.save(update_fields=["state", "ended_at", "ended_by"])
    return batch


def _join(batch: PrintBatch, letters: list[OutboxMessage]) -> bytes:
    """Return the cover sheet and the letters as one PDF."""
    from pypdf import PdfReader

    papers = [bytes(letter.document.content or b"") for letter in letters if letter.document]
    rows = tuple(
        LetterRow(
            letter.batch_position or 0,
            letter.to_name,
            zip_of(letter.to_address),
            letter.subject,
            len(PdfReader(io.BytesIO(paper)).pages),
        )
        for letter, paper in zip(letters, papers, strict=True)
    )
    page = BatchPage(made_at=batch.made_at, made_by=batch.made_by.name, letters=rows, sheets=sum(row.pages for row in rows))
    payload = {"page": to_payload(page), "office": to_payload(queries.get_letterhead())}
    title = f"{batch}: {len(rows)} letters to post"
    cover = pdf.render_pdf(kind=COVER, payload=payload, title=title, language="en")
    return pdf.join([("", cover), *((f"{row.position}. {row.to_name}", paper) for row, paper in zip(rows, papers, strict=True))])

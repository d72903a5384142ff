"""Makes the file of a run and keeps it sealed. The one place where account numbers are opened; they stay in memory here."""

import datetime
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from django.utils import timezone

from billing import ledger
from billing.autopay import reader, words, writer
from billing.autopay.crypto import KeyRing, about_account, about_file_part, ring
from billing.autopay.writer import Batch, Debit, Origin
from billing.models import AutopayAuthorisation, AutopayEntry, AutopayFile, AutopayFilePart, AutopayRun, AutopaySetup
from rentals.documents.queries import get_letterhead
from rentals.staff.operations import take_numbers

ENTRY_CLASSES = {AutopayAuthorisation.Channel.IN_PERSON: "PPD", AutopayAuthorisation.Channel.ONLINE: "WEB"}
CODES = {AutopayAuthorisation.AccountType.CHECKING: writer.CHECKING, AutopayAuthorisation.AccountType.SAVINGS: writer.SAVINGS}
DESCRIPTION = "RENTAL"
PART = 200_000
"""Characters of a part at least, but for the last one."""


class SelfCheckError(Exception):
    """The file that was written is not what was to be written. Nothing leaves."""

    def __init__(self, found: str) -> None:
        super().__init__(
            f"The file did not pass its own check: {found} Nothing was let out; tell whoever looks after the program."
        )


class ModifiersUsedUpError(Exception):
    """More files in a day than there are letters for."""

    def __init__(self) -> None:
        super().__init__("36 files were made today, and a day's files are told apart by one letter or digit. Go on tomorrow.")


@dataclass
class Made:
    """What a file came to, once all of it was written."""

    sha256: str = ""
    size: int = 0
    totals: reader.Totals | None = None


def class_of(authorisation: AutopayAuthorisation) -> str:
    """Return the standard entry class: WEB where the family authorised over the internet, PPD otherwise."""
    return ENTRY_CLASSES[AutopayAuthorisation.Channel(authorisation.channel)]


def origin_of(setup: AutopaySetup) -> Origin:
    """Return who sends, in the file's characters."""
    return Origin(
        bank_routing=setup.bank_routing,
        bank_name=words.plain(setup.bank_name, 23),
        origin=setup.origin,
        origin_name=words.plain(get_letterhead().name, 23, "RENTAL OFFICE"),
        company_name=words.plain(setup.company_name, 16, "RENTAL OFFICE"),
        company_id=setup.company_id,
    )


def make_file(
    *, run: AutopayRun, entries: Sequence[AutopayEntry], setup: AutopaySetup, made_at: datetime.datetime
) -> AutopayFile:
    """Give the entries their trace numbers, write the file, check it, and keep it sealed: inside the run's transaction.

    `entries` in the order of the file, with authorisation and household; they are changed, not saved. `made_at` in the office's
    time. Raises SelfCheckError, KeyMissingError, SealBrokenError, ModifiersUsedUpError.
    """
    origin, first = origin_of(setup), take_numbers("autopay-trace", len(entries))
    for place, entry in enumerate(entries):
        entry.trace = f"{origin.odfi}{first + place:07}"
        entry.routing_number, entry.last_four = entry.authorisation.routing_number, entry.authorisation.last_four
    modifier = _next_modifier(timezone.localdate(made_at))
    pieces = writer.compose(origin=origin, made_at=made_at, modifier=modifier, batches=_batches(run, entries, ring()))
    made, parts = Made(), []
    key = ledger.next_id(AutopayFile)
    for place, part in enumerate(check_while(pieces, made)):
        parts.append(AutopayFilePart(file_id=key, place=place, sealed=ring().seal(part, about=about_file_part(key, place))))
    totals = made.totals or reader.Totals()
    expected = (len(entries), int(sum(entry.amount for entry in entries) * 100))
    if (totals.entries, totals.debit_cents) != expected:
        raise SelfCheckError("it has other debits than the run.")
    file = AutopayFile.objects.create(
        pk=key,
        run=run,
        made_on=timezone.localdate(made_at),
        modifier=modifier,
        made_at=made_at,
        sha256=made.sha256,
        size=made.size,
        entry_hash=f"{totals.hash:010}",
        records=totals.records,
    )
    AutopayFilePart.objects.bulk_create(parts)
    return file


def check_while(pieces: Iterable[str], made: Made) -> Iterator[bytes]:
    """Pass a file on in parts while it is read back and hashed; `made` is filled at its end. Raises SelfCheckError."""
    check, digest = reader.Reader(), hashlib.sha256()
    gathered: list[str] = []
    length = 0
    try:
        for piece in pieces:
            check.take(piece.split("\n"))
            gathered.append(piece)
            length += len(piece)
            if length >= PART:
                part = "".join(gathered).encode("ascii")
                digest.update(part)
                made.size += length
                gathered, length = [], 0
                yield part
        made.totals = check.finish()
    except (reader.NachaFileError, writer.DebitDoesNotFitError) as error:
        raise SelfCheckError(str(error)) from error
    part = "".join(gathered).encode("ascii")
    digest.update(part)
    made.size, made.sha256 = made.size + length, digest.hexdigest()
    if part:
        yield part


def _batches(run: AutopayRun, entries: Iterable[AutopayEntry], keys: KeyRing) -> Iterator[tuple[Batch, Iterator[Debit]]]:
    for (is_again, entry_class), group in groupby(entries, key=lambda entry: (entry.retry > 0, entry.entry_class)):
        description = writer.RETRY if is_again else DESCRIPTION
        yield Batch(entry_class, description, run.effective_on), (_debit(entry, keys) for entry in group)


def _debit(entry: AutopayEntry, keys: KeyRing) -> Debit:
    authorisation = entry.authorisation
    return Debit(
        code=CODES[AutopayAuthorisation.AccountType(authorisation.account_type)],
        routing=authorisation.routing_number,
        account=keys.open(authorisation.account_sealed, about=about_account(authorisation.pk)).decode(),
        cents=int(entry.amount * 100),
        identification=entry.household.number,
        name=authorisation.account_name,
        payment_type="R" if entry.entry_class == "WEB" else "",
        sequence=int(entry.trace[8:]),
    )


def _next_modifier(day: datetime.date) -> str:
    used = AutopayFile.objects.filter(made_on=day).count()
    if used >= len(writer.MODIFIERS):
        raise ModifiersUsedUpError
    return writer.MODIFIERS[used]


def read_parts(file: AutopayFile) -> Iterator[bytes]:
    """Open a kept file, part by part: the same bytes each time. Raises KeyMissingError, SealBrokenError."""
    keys = ring()
    for part in file.parts.order_by("place").iterator(chunk_size=4):
        yield keys.open(part.sealed, about=about_file_part(file.pk, part.place))

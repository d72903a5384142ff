"""Writes a file of debits, record by record, in constant memory. It knows neither the database nor the keys."""

import datetime
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from billing.autopay.layout import BLOCKING, FILLER, RECORD

AT_ONCE = 2000
"""Records joined before they are handed on."""
MODULUS = 10**10
CHECKING, SAVINGS = "27", "37"
"""Transaction codes of a debit (Nacha 2013, appendix 3)."""
RETRY = "RETRY PYMT"
"""What a batch of entries presented again is called, in capitals (since 2015)."""
MODIFIERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


class DebitDoesNotFitError(ValueError):
    """A field of a debit is wider than its place. The message names the trace number, never the account."""

    def __init__(self, odfi: str, sequence: int) -> None:
        super().__init__(f"The debit with trace number {odfi}{sequence:07} does not fit into its record.")
        self.sequence = sequence


@dataclass(frozen=True)
class Origin:
    """Who sends and through which bank, in the file's characters. `company_id`: ten characters, given by the bank."""

    bank_routing: str
    bank_name: str
    origin: str
    origin_name: str
    company_name: str
    company_id: str

    @property
    def odfi(self) -> str:
        """The bank's eight digits that stand before every trace number."""
        return self.bank_routing[:8]


@dataclass(frozen=True)
class Batch:
    """What one batch says above its entries: PPD or WEB, the description of at most ten characters, the effective day."""

    entry_class: str
    description: str
    effective_on: datetime.date


class Debit(NamedTuple):
    """One debit, its fields clean. `payment_type`: "R" or "S" in a WEB batch, "" otherwise; `sequence`: seven digits at most."""

    code: str
    routing: str
    account: str
    cents: int
    identification: str
    name: str
    payment_type: str
    sequence: int


class _Tally:
    def __init__(self) -> None:
        self.count = self.hash = self.cents = self.batches = 0


def compose(
    *, origin: Origin, made_at: datetime.datetime, modifier: str, batches: Iterable[tuple[Batch, Iterable[Debit]]]
) -> Iterator[str]:
    """Write a file piece by piece: whole records, each ended by a line feed, filled to a multiple of ten.

    `made_at` in the office's own time. Sequences ascend over the whole file. Raises DebitDoesNotFitError.
    """
    whole, written = _Tally(), 1
    yield _file_header(origin, made_at, modifier)
    for number, (batch, debits) in enumerate(batches, start=1):
        part = _Tally()
        yield _batch_header(origin, batch, number)
        yield from _entries(origin.odfi, debits, part)
        yield _batch_control(origin, part, number)
        whole.batches, whole.count = number, whole.count + part.count
        whole.hash, whole.cents = whole.hash + part.hash % MODULUS, whole.cents + part.cents
        written += part.count + 2
    written += 1
    blocks = -(-written // BLOCKING)
    yield _file_control(whole, blocks)
    yield f"{FILLER}\n" * (blocks * BLOCKING - written)


def _entries(odfi: str, debits: Iterable[Debit], part: _Tally) -> Iterator[str]:
    """Write entries, some thousand at once; sums are kept on the way. The loop is short because it runs for every family."""
    records: list[str] = []
    add, total, hashed = records.append, 0, 0
    for code, routing, account, cents, identification, name, payment_type, sequence in debits:
        total += cents
        hashed += int(routing[:8])
        add(f"6{code}{routing}{account:<17}{cents:010}{identification:<15}{name:<22}{payment_type:<2}0{odfi}{sequence:07}\n")
        if len(records) == AT_ONCE:
            yield _joined(records, odfi)
            part.count += AT_ONCE
            records.clear()
    part.count, part.cents, part.hash = part.count + len(records), total, hashed
    if records:
        yield _joined(records, odfi)


def _joined(records: list[str], odfi: str) -> str:
    text = "".join(records)
    if len(text) != (RECORD + 1) * len(records) or not text.isascii():
        wrong = next(record for record in records if len(record) != RECORD + 1 or not record.isascii())
        raise DebitDoesNotFitError(odfi, int(wrong.rstrip("\n")[-7:]))
    return text


def _file_header(origin: Origin, local: datetime.datetime, modifier: str) -> str:
    return (
        f"101 {origin.bank_routing}{origin.origin:>10}{local:%y%m%d%H%M}{modifier}094101"
        f"{origin.bank_name:<23}{origin.origin_name:<23}{'':8}\n"
    )


def _batch_header(origin: Origin, batch: Batch, number: int) -> str:
    return (
        f"5225{origin.company_name:<16}{'':20}{origin.company_id:<10}{batch.entry_class}{batch.description:<10}{'':6}"
        f"{batch.effective_on:%y%m%d}{'':3}1{origin.odfi}{number:07}\n"
    )


def _batch_control(origin: Origin, part: _Tally, number: int) -> str:
    return (
        f"8225{part.count:06}{part.hash % MODULUS:010}{part.cents:012}{0:012}{origin.company_id:<10}{'':19}{'':6}"
        f"{origin.odfi}{number:07}\n"
    )


def _file_control(whole: _Tally, blocks: int) -> str:
    counts = f"{whole.batches:06}{blocks:06}{whole.count:08}{whole.hash % MODULUS:010}"
    return f"9{counts}{whole.cents:012}{0:012}{'':39}\n"

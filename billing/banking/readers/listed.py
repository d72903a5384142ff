"""A bank's list in CSV, read by a mapping: which column is what, and how days and amounts are written in it.

Where the list carries a running balance, every line must follow from the one before: a wrong sign, a wrong decimal sign or a
missing line is found there, by its line.
"""

import itertools
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from decimal import Decimal
from typing import Any, NoReturn

from billing.banking.readers.amounts import ORDERS, as_amount, as_day
from billing.banking.readers.found import (
    BankFileError,
    FoundAccount,
    FoundFile,
    FoundLine,
    as_file,
    in_cents,
    shown,
    without_nothing,
    words,
)
from billing.banking.readers.sheet import Row, Sheet
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written

CHECK = "Check what the columns mean; if they are right, download the file from the bank once more."
COLUMNS = ("date", "amount", "debit", "credit", "side", "name", "memo", "reference", "cheque", "balance")
OUT = frozenset({"D", "DR", "DEBIT", "DBIT", "-", "WITHDRAWAL", "OUT", "PAYMENT"})
IN = frozenset({"C", "CR", "CREDIT", "CRDT", "+", "DEPOSIT", "IN", "RECEIPT"})


@dataclass(frozen=True)
class Mapping:
    """What the columns of a list mean: places counted from 0, None where there is no such column.

    Either `amount`, signed or with `side` (DR, CR) beside it, or `debit` and `credit`. `decimal`: "." or ",".
    `is_flipped`: money out is written as positive. `spelling` and `delimiter`: how the file is written, "" as it is guessed.
    """

    date: int
    name: int
    amount: int | None = None
    debit: int | None = None
    credit: int | None = None
    side: int | None = None
    memo: int | None = None
    reference: int | None = None
    cheque: int | None = None
    balance: int | None = None
    order: str = "mdy"
    decimal: str = "."
    is_flipped: bool = False
    spelling: str = ""
    delimiter: str = ""

    def as_contents(self) -> dict[str, Any]:
        """Write it down, for the database."""
        return asdict(self)

    @classmethod
    def of_contents(cls, contents: dict[str, Any]) -> "Mapping":
        """Read back what was written down."""
        return cls(**{each.name: contents[each.name] for each in fields(cls) if each.name in contents})


class MappingNeededError(Exception):
    """A list whose columns nobody has explained yet."""

    def __init__(self, sheet: Sheet) -> None:
        super().__init__("Say once what the columns of this list mean.")
        self.sheet = sheet


WORDS = {
    "date": ("posting date", "posted", "post date", "booking date", "transaction date", "date", "day"),
    "balance": ("running balance", "balance", "running bal"),
    "debit": ("debit", "withdrawal", "paid out", "money out", "payments"),
    "credit": ("credit", "deposit", "paid in", "money in", "receipts"),
    "amount": ("amount", "value", "sum"),
    "side": ("dr/cr", "cr/dr", "credit/debit", "debit/credit", "indicator", "sign", "type"),
    "cheque": ("check number", "check no", "cheque", "check", "check #", "serial"),
    "reference": ("reference", "transaction id", "bank id", "id", "trace", "ref"),
    "name": ("description", "payee", "name", "narrative", "text", "counterparty", "details"),
    "memo": ("memo", "notes", "details", "additional", "information"),
}


def guess(sheet: Sheet) -> dict[str, Any]:
    """Guess from names and values what the columns are: answers for the form, not yet checked."""
    found: dict[str, int] = {}
    for what, known in WORDS.items():
        free = [n for n in range(sheet.width) if n not in found.values()]
        ranked = [(known.index(word), len(sheet.names[n]), n) for n in free for word in known if _is_called(sheet.names[n], word)]
        if what == "side":
            ranked = [row for row in ranked if {value.upper() for value in sheet.sample(row[2], 20)} <= OUT | IN]
        if ranked:
            found[what] = min(ranked)[2]
    if "debit" in found and "credit" in found:
        found.pop("amount", None)
        found.pop("side", None)
    else:
        found.pop("debit", None)
        found.pop("credit", None)
    given: dict[str, Any] = dict(found)
    samples = sheet.sample(found["date"], 200) if "date" in found else []
    given["order"] = next((order for order in ORDERS if samples and all(as_day(x, order) for x in samples)), "mdy")
    figures = [x for what in ("amount", "debit", "credit", "balance") if what in found for x in sheet.sample(found[what], 200)]
    given["decimal"] = next((sign for sign in ".," if figures and all(as_amount(x, sign) is not None for x in figures)), ".")
    return given


def _is_called(name: str, word: str) -> bool:
    return bool(re.search(rf"(^|\W){re.escape(word)}s?(\W|$)", name.casefold().replace("_", " ")))


def read_list(sheet: Sheet, mapping: Mapping) -> FoundFile:
    """Read all rows by the mapping. Raises BankFileError with the line and the reason; nothing of a refused file is kept."""
    notes: list[str] = []
    rows = [row for row in sheet.body if not _is_beside(row, mapping)]
    left = [row for row in sheet.body if _is_beside(row, mapping)]
    if left:
        notes.append(
            f"Rows without a day and an amount are left out, like line {left[0].line}: “{shown(' '.join(left[0].cells))}”."
        )
    if not rows:
        _refuse(sheet.rows[-1].line, "The list holds no line with a day.")
    read = [(_line(row, mapping), _balance(row, mapping)) for row in rows]
    opening, closing = _follow(read) if mapping.balance is not None else (None, None)
    lines = without_nothing([line for line, _balance in read], notes)
    days = [line.posted_on for line, _balance in read]
    account = FoundAccount(
        bank_id="",
        account_id="",
        kind="",
        begins_on=min(days),
        ends_on=max(days),
        balance=closing,
        balance_on=None if closing is None else max(days),
        lines=tuple(lines),
        line=rows[0].line,
        opening=opening,
    )
    return as_file("CSV", [account], notes)


def _refuse(line: int, reason: str, advice: str = CHECK) -> NoReturn:
    raise BankFileError(line, reason, advice)


def _cell(row: Row, place: int | None) -> str:
    return row.cells[place] if place is not None and place < len(row.cells) else ""


def _is_beside(row: Row, mapping: Mapping) -> bool:
    """Tell whether a row stands above or below the list: it has no day, and no amount."""
    day, amounts = _cell(row, mapping.date), [_cell(row, place) for place in (mapping.amount, mapping.debit, mapping.credit)]
    return as_day(day, mapping.order) is None and not any(as_amount(x, mapping.decimal) is not None for x in amounts)


def _line(row: Row, mapping: Mapping) -> FoundLine:
    needed = [place for place in (getattr(mapping, name) for name in COLUMNS) if place is not None]
    if len(row.cells) <= max(needed):
        said = f"The line ends after {len(row.cells)} of {max(needed) + 1} columns: a part of it is missing."
        _refuse(row.line, said, "Download the file from the bank once more and wait until it is complete.")
    day = as_day(_cell(row, mapping.date), mapping.order)
    if day is None:
        _refuse(row.line, f"“{shown(_cell(row, mapping.date))}” is not a day written as {ORDERS[mapping.order]}.")
    amount, cheque = _amount(row, mapping), words(_cell(row, mapping.cheque), 20).lstrip("0")
    return FoundLine(
        reference=words(_cell(row, mapping.reference), 255),
        kind="check" if cheque else "credit" if amount > 0 else "debit",
        posted_on=day,
        amount=amount,
        name=words(_cell(row, mapping.name), 120),
        memo=words(_cell(row, mapping.memo), 255),
        cheque_number=cheque,
        line=row.line,
    )


def _amount(row: Row, mapping: Mapping) -> Decimal:
    if mapping.amount is None:
        out, came = (_figure(row, place, mapping) for place in (mapping.debit, mapping.credit))
        if bool(out) == bool(came):
            _refuse(row.line, "The line has an amount in both columns, money out and money in, or in neither.")
        amount = came if came else -abs(out or ZERO)
    else:
        found = _figure(row, mapping.amount, mapping)
        if found is None:
            _refuse(row.line, "The line has no amount.")
        amount = found if mapping.side is None else _by_side(row, found, mapping)
    return -amount if mapping.is_flipped else amount


def _by_side(row: Row, amount: Decimal, mapping: Mapping) -> Decimal:
    side = _cell(row, mapping.side).upper().rstrip(".")
    if side not in OUT | IN:
        _refuse(row.line, f"“{shown(side)}” does not say whether money came in or went out (like DR and CR).")
    return -abs(amount) if side in OUT else abs(amount)


def _figure(row: Row, place: int | None, mapping: Mapping) -> Decimal | None:
    text = _cell(row, place)
    if not text:
        return None
    found = as_amount(text, mapping.decimal)
    if found is None:
        sign = "a point" if mapping.decimal == "." else "a comma"
        _refuse(row.line, f"“{shown(text)}” is not an amount with {sign} before the cents.")
    return in_cents(found, text, row.line, CHECK)


def _balance(row: Row, mapping: Mapping) -> Decimal | None:
    return _figure(row, mapping.balance, mapping)


def _follow(read: Sequence[tuple[FoundLine, Decimal | None]]) -> tuple[Decimal | None, Decimal | None]:
    """Return the balance before the first and after the last line, the oldest first or last. Raises where one does not follow."""
    told = [(line, balance) for line, balance in read if balance is not None]
    if len(told) < len(read):
        return None, None  # some banks write the balance once a day: it cannot be followed line by line
    orders = [told, told[::-1]] if told[0][0].posted_on <= told[-1][0].posted_on else [told[::-1], told]
    broken = [_first_broken(order) for order in orders]
    if None in broken:
        order = orders[broken.index(None)]
        return order[0][1] - order[0][0].amount, order[-1][1]
    order, place = max(zip(orders, broken, strict=True), key=lambda each: each[1] or 0)
    line, balance = order[place or 0]
    before = order[(place or 0) - 1][1]
    _refuse(line.line, f"The balance {written(balance)} does not follow from {written(before)} and {written(line.amount)}.")


def _first_broken(order: Sequence[tuple[FoundLine, Decimal]]) -> int | None:
    """Return the place of the first line whose balance is not the one before and its amount."""
    for place, ((_before, was), (line, balance)) in enumerate(itertools.pairwise(order), 1):
        if was + line.amount != balance:
            return place
    return None

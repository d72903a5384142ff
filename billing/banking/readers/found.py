"""What every reader of bank files gives back, whatever the file is written in, and how it refuses one.

A line's identity is the bank's own id. Where the bank gave none, or one id to several lines, it is what the line says and its
place among lines that say the same: another file that tells the same lines names them the same.
"""

import datetime
import hashlib
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written

LARGEST = 5 * 1024 * 1024
MOST_LINES = 20_000
MOST_DIGITS = 26
AGAIN = "Download the file from the bank once more; if it stays like this, ask the bank for a new one."
NOT_FROM_A_BANK = "Do not open it elsewhere; ask the bank where it comes from."
SHORTER = "Download a shorter span of days."


class BankFileError(Exception):
    """A bank file is refused whole. `line` counts from 1, None when no line is to blame; `advice` says what to do."""

    def __init__(self, line: int | None, reason: str, advice: str = AGAIN) -> None:
        where = f"Line {line}: " if line else ""
        super().__init__(f"{where}{reason} {advice}")
        self.line = line
        self.reason = reason
        self.advice = advice


@dataclass(frozen=True)
class FoundLine:
    """One transaction of an account. Money in is positive. `line`: where it stands in the file.

    kind: one of the short words of OFX (credit, debit, check, fee, srvchg, xfer…), "" where the file does not tell.
    """

    reference: str
    kind: str
    posted_on: datetime.date
    amount: Decimal
    name: str
    memo: str = ""
    cheque_number: str = ""
    line: int = 0

    @property
    def contents(self) -> str:
        """What it says, without the bank's id."""
        said = [self.posted_on.isoformat(), str(self.amount), self.name, self.memo, self.cheque_number, self.kind]
        return "|".join(said)


@dataclass(frozen=True)
class FoundAccount:
    """One account's statement in a file. Its number is here in full and goes no further than the fingerprint.

    `opening`: what the bank had before the first line, where the file tells. `balance`: at the end of `balance_on`.
    """

    bank_id: str
    account_id: str
    kind: str
    begins_on: datetime.date | None
    ends_on: datetime.date | None
    balance: Decimal | None
    balance_on: datetime.date | None
    lines: tuple[FoundLine, ...]
    line: int
    opening: Decimal | None = None

    @property
    def missing(self) -> Decimal | None:
        """What the lines do not explain between the two balances, None where the file does not give both."""
        if self.opening is None or self.balance is None:
            return None
        return self.balance - self.opening - sum((line.amount for line in self.lines), ZERO)


@dataclass(frozen=True)
class FoundFile:
    """What a file says, and what is worth telling about how it says it. `spelling`: OFX, camt.053, BAI2 or CSV."""

    spelling: str
    accounts: tuple[FoundAccount, ...]
    notes: tuple[str, ...] = field(default=())


def words(text: str, most: int) -> str:
    """Return a text of the bank's on one line, at most so long, without control characters."""
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\s]+", " ", text).strip()[:most]


def shown(text: str) -> str:
    """Return a piece of the file as it can stand in a sentence."""
    return words(text, 200) if len(text) <= 40 else f"{words(text[:200], 40)}…"


def day_of(year: int, month: int, day: int) -> datetime.date | None:
    """Return a day that a statement can have, else None."""
    try:
        found = datetime.date(year, month, day)
    except ValueError:
        return None
    return found if 1980 <= found.year <= 2100 else None


def in_cents(figure: Decimal, said: str, line: int, advice: str) -> Decimal:
    """Return an amount with two digits after the point. Raises BankFileError when it has more, or is too large to be true."""
    if len(figure.as_tuple().digits) > MOST_DIGITS:
        raise BankFileError(line, f"“{shown(said)}” has more digits than an amount has.", advice)
    exponent = figure.normalize().as_tuple().exponent
    if isinstance(exponent, int) and exponent < -2:
        raise BankFileError(line, f"“{shown(said)}” has more than two digits after the point.", advice)
    if abs(figure) >= Decimal(10) ** 10:
        raise BankFileError(line, f"“{shown(said)}” is larger than the books can hold.")
    return figure.quantize(Decimal("0.01"))


def with_references(lines: Sequence[FoundLine]) -> list[FoundLine]:
    """Give every line its identity: lines without an id, and lines that share one, are named by what they say and their place."""
    counted = Counter(line.reference for line in lines)
    said: Counter[str] = Counter()
    named = []
    for line in lines:
        if line.reference and counted[line.reference] == 1:
            named.append(line)
            continue
        contents = line.contents if not line.reference else f"{line.contents}|{line.reference}"
        said[contents] += 1
        named.append(replace(line, reference=made_up(contents, said[contents])))
    return named


def made_up(contents: str, place: int) -> str:
    """Return the identity of the so-manieth line that says this."""
    return f"~{hashlib.sha256(contents.encode()).hexdigest()[:24]}-{place}"


def without_nothing(lines: Sequence[FoundLine], notes: list[str]) -> list[FoundLine]:
    """Leave lines over nothing out, and say so."""
    kept = [line for line in lines if line.amount]
    if len(kept) < len(lines):
        notes.append("Lines over 0.00 carry no money and are left out.")
    return kept


def as_file(spelling: str, accounts: Sequence[FoundAccount], notes: list[str]) -> FoundFile:
    """Put a file together: one account's days in their order, and a note where its own figures do not add up."""
    if sum(len(account.lines) for account in accounts) > MOST_LINES:
        raise BankFileError(None, f"The file holds more than {MOST_LINES:,} lines.", SHORTER)
    by_number: dict[tuple[str, str], list[FoundAccount]] = {}
    for account in accounts:
        by_number.setdefault((account.bank_id, account.account_id), []).append(account)
    joined = [_joined(some, notes) for some in by_number.values()]
    for account in joined:
        if account.missing:
            notes.append(
                f"The file itself does not add up for the account that ends in {account.account_id[-4:]}: between its opening "
                f"and its closing balance {written(account.missing)} is on no line. Lines may be missing."
            )
    return FoundFile(spelling, tuple(joined), tuple(dict.fromkeys(notes)))


def _joined(some: list[FoundAccount], notes: list[str]) -> FoundAccount:
    """Put the days of one account together, each a statement of its own in the file."""
    if len(some) == 1:
        return replace(some[0], lines=tuple(with_references(some[0].lines)))
    some = sorted(some, key=lambda each: each.balance_on or each.ends_on or datetime.date.min)
    for before, after in itertools.pairwise(some):
        if None not in {before.balance, after.opening} and before.balance != after.opening:
            notes.append(
                f"A day may be missing before line {after.line}: the balance before was {written(before.balance)}, "
                f"there it begins with {written(after.opening)}."
            )
    last = next((each for each in reversed(some) if each.balance is not None), some[-1])
    return replace(
        some[0],
        begins_on=min((each.begins_on for each in some if each.begins_on), default=None),
        ends_on=max((each.ends_on for each in some if each.ends_on), default=None),
        balance=last.balance,
        balance_on=last.balance_on,
        lines=tuple(with_references([line for each in some for line in each.lines])),
    )

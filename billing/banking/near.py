"""What is nearly a line: a deposit cents off, card money less a fee, a deposit in several lines, a transfer’s other side."""

import datetime
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from billing.banking.outstanding import Outstanding
from billing.banking.rules import AFTER, BEFORE
from billing.models import BankLine
from rentals.runtime.money import ZERO

MOST_OFF = Decimal("1.00")
"""A counter deposit that differs by no more is proposed with its difference."""
MOST_FEE = Decimal("0.045")
"""Of card money, at most so much is a fee that nobody told us: common practice, no source."""
APART = datetime.timedelta(days=5)
MOST_LINES = 12
"""So many lines are tried with one another: the nearest in days, then in the bank's file, where parts stand together."""


@dataclass(frozen=True)
class Near:
    """A deposit that is nearly a line. `difference`: what the line has more than it; `is_fee`: less, because of a fee."""

    item: Outstanding
    difference: Decimal
    is_fee: bool


def list_near(line: BankLine, waiting: Sequence[Outstanding]) -> list[Near]:
    """List deposits of the line's account and days that differ by a little or by a fee, the nearest first."""
    found = []
    for item in waiting:
        off = line.amount - item.amount
        if item.kind != "deposit" or not off or not line.posted_on - BEFORE <= item.on <= line.posted_on + AFTER:
            continue
        is_fee = item.deposit_kind == "cards" and ZERO < -off <= item.amount * MOST_FEE
        if is_fee or (item.deposit_kind == "counter" and abs(off) <= MOST_OFF):
            found.append(Near(item, off, is_fee))
    return sorted(found, key=lambda each: (abs(each.difference), each.item.entry_id))[:2]


def list_splits(
    line: BankLine, others: Sequence[BankLine], waiting: Sequence[Outstanding]
) -> list[tuple[Outstanding, list[BankLine]]]:
    """List deposits that this line and one or two other open lines of the account, days apart at most, add up to."""
    if line.amount <= 0:
        return []
    near = [x for x in others if x.pk != line.pk and x.amount > 0 and abs(x.posted_on - line.posted_on) <= APART]
    near = sorted(near, key=lambda x: (abs(x.posted_on - line.posted_on), abs(x.pk - line.pk)))[:MOST_LINES]
    deposits = [x for x in waiting if x.kind == "deposit" and x.amount > line.amount]
    found = []
    for item in deposits:
        if not line.posted_on - BEFORE <= item.on <= line.posted_on + AFTER:
            continue
        for count in (1, 2):
            sums = (
                some for some in itertools.combinations(near, count) if line.amount + sum(x.amount for x in some) == item.amount
            )
            found += [(item, list(some)) for some in itertools.islice(sums, 1)]
    return found[:1]


def list_other_sides(line: BankLine, others: Sequence[BankLine]) -> list[BankLine]:
    """List open lines of other accounts that may be the other side of a transfer: the same sum, the other way, days apart."""
    found = [
        x
        for x in others
        if x.account_id != line.account_id and x.amount == -line.amount and abs(x.posted_on - line.posted_on) <= APART
    ]
    return sorted(found, key=lambda x: (abs(x.posted_on - line.posted_on), x.pk))[:2]

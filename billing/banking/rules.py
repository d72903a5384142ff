"""What the words and figures of a bank line tell. Pure functions; no database, no clock."""

import datetime
import itertools
import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Protocol, TypeVar

BEFORE, AFTER = datetime.timedelta(days=7), datetime.timedelta(days=2)
"""A deposit or a transfer stands on the bank's statement at most so long after it was made here, or before."""
SUM_BEFORE = datetime.timedelta(days=10)
MOST_PARTS = 4
MOST_LOOKED_AT = 14


class Item(Protocol):
    """What is in the books at the bank and on no line of the bank's yet."""

    @property
    def on(self) -> datetime.date:
        """The day of its entry."""

    @property
    def amount(self) -> Decimal:
        """What it moved at the bank, money in positive."""


I = TypeVar("I", bound=Item)  # noqa: E741

# Words that say how money came, not from whom.
_GENERAL = frozenset(
    [
        "A",
        "ACH",
        "AND",
        "BANK",
        "BRANCH",
        "BUSINESS",
        "CASH",
        "CHECK",
        "CHECKS",
        "CHK",
        "CREDIT",
        "DEBIT",
        "DEPOSIT",
        "DES",
        "DIRECT",
        "FEE",
        "FOR",
        "FROM",
        "ID",
        "IN",
        "INCOMING",
        "INSTRUMENT",
        "INTERNET",
        "MOBILE",
        "MUSIC",
        "NET",
        "NUMBER",
        "OF",
        "OFFICE",
        "ONLINE",
        "PAYMENT",
        "PMT",
        "PPD",
        "REF",
        "REFERENCE",
        "RENT",
        "RENTAL",
        "RENTALS",
        "RETURN",
        "RETURNED",
        "SCHOOL",
        "SERVICE",
        "SETTLEMENT",
        "SHOP",
        "STORE",
        "TELLER",
        "THE",
        "TO",
        "TRANSFER",
        "TRN",
        "WEB",
        "WIRE",
        "XFER",
    ]
)
_REFERENCE = re.compile(r"(?<![A-Z0-9])([AHP])[- ]?(\d{5,7})(?!\d)")
_FEE_WORDS = re.compile(r"\b(FEES?|SERVICE CHARGES?|SRVCHG|MAINTENANCE|ANALYSIS CHARGE)\b")
_RETURN_WORDS = re.compile(r"\b(RETURN(ED)?|CHARGEBACK|RETURNED ITEM|RDI|NSF|INSUFFICIENT|DISHONOU?RED|R\d\d)\b")
# Return reason codes that a reader may meet in a bank's text: NACHA Operating Rules, appendix on returns.
_REASONS = {
    "R01": "Insufficient funds",
    "R02": "Account closed",
    "R08": "Payment stopped",
    "R09": "Insufficient funds",
    "NSF": "Insufficient funds",
    "INSUFFICIENT": "Insufficient funds",
    "CLOSED": "Account closed",
    "STOP": "Payment stopped",
    "STOPPED": "Payment stopped",
}


REASONS = ("Insufficient funds", "Account closed", "Payment stopped", "Signature or date missing", "Other reason")


def words_of(text: str) -> list[str]:
    """Return the words of a bank's text that could be somebody's name, in capitals, in their order.

    >>> words_of("ACH TRANSFER FROM O'Neil-Vega 00123")
    ["O'NEIL", 'VEGA']
    """
    words = re.findall(r"[^\W\d_]+(?:['’][^\W\d_]+)*", text.upper())
    return [word for word in words if len(word) > 1 and word not in _GENERAL]


def payer_of(name: str) -> str:
    """Return by what a payer is known again: the words of the bank's name without numbers, "" when none could be a name.

    >>> payer_of("TRANSFER FROM Maria Rivera 20261101"), payer_of("DEPOSIT 114")
    ('MARIA RIVERA', '')
    """
    return " ".join(words_of(name))[:120]


def references_in(text: str) -> list[str]:
    """Return the numbers of agreements, households and payments that stand in a bank's text.

    >>> references_in("RENT h-00012 AND P000345 XA-00001")
    ['H-00012', 'P-000345']
    """
    return [f"{letter}-{digits}" for letter, digits in _REFERENCE.findall(text.upper())]


def is_bank_fee(kind: str, text: str, amount: Decimal) -> bool:
    """Tell whether the bank took a fee: it says so by the kind of the line or in words."""
    return amount < 0 and (kind in {"fee", "srvchg"} or bool(_FEE_WORDS.search(text.upper())))


def is_returned_item(text: str, amount: Decimal) -> bool:
    """Tell whether a payment may have come back: money out, and words for it."""
    return amount < 0 and bool(_RETURN_WORDS.search(text.upper()))


def reason_of_return(text: str) -> str:
    """Return why a payment came back, as far as the bank's text tells; "" when it does not."""
    return next((reason for word, reason in _REASONS.items() if re.search(rf"\b{word}\b", text.upper())), "")


def fits(item: Item, *, amount: Decimal, posted_on: datetime.date) -> bool:
    """Tell whether an item of the books is this line to the cent, within a few days."""
    return item.amount == amount and posted_on - BEFORE <= item.on <= posted_on + AFTER


def sums_to(items: Sequence[I], *, amount: Decimal, posted_on: datetime.date) -> list[tuple[I, ...]]:
    """Find two to four items of the same side that add up to a line, those nearest in time tried first."""
    near = [x for x in items if posted_on - SUM_BEFORE <= x.on <= posted_on + AFTER and 0 < x.amount / amount < 1]
    near.sort(key=lambda x: abs((posted_on - x.on).days))
    found = []
    for count in range(2, MOST_PARTS + 1):
        for some in itertools.combinations(near[:MOST_LOOKED_AT], count):
            if sum(x.amount for x in some) == amount:
                found.append(some)
        if found:
            break
    return found[:3]

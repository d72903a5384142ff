"""Counting cash: pure functions."""

from collections.abc import Mapping
from decimal import Decimal

from rentals.runtime.money import ZERO

DENOMINATIONS = (10000, 5000, 2000, 1000, 500, 200, 100, 50, 25, 10, 5, 1)
"""Notes and coins of the US dollar in circulation, in cents (US Currency Education Program; United States Mint)."""


def sum_pieces(pieces: Mapping[int, int]) -> Decimal:
    """Add up so many of each denomination; keys in cents.

    >>> sum_pieces({2000: 2, 25: 3})
    Decimal('40.75')
    """
    return Decimal(sum(cents * count for cents, count in pieces.items())) / 100 if pieces else ZERO


def expected_cash(*, taken: Decimal, paid_back: Decimal, banked: Decimal) -> Decimal:
    """What should be in the drawer beside the change it began with; never below zero.

    Who paid back more than he took used other days' cash; the next deposit comes to so much less.

    >>> expected_cash(taken=Decimal("80.00"), paid_back=Decimal("20.00"), banked=Decimal("0.00"))
    Decimal('60.00')
    """
    return max(taken - paid_back - banked, ZERO)

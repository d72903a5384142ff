"""How an attempt moves by what it is told: pure functions, tried over a thousand invented runs."""

import datetime
from collections.abc import Iterable
from decimal import Decimal

from billing.cards.ports import Told

OPEN = frozenset({"started", "unknown"})
STRENGTH = (Told.PAID, Told.FAILED, Told.EXPIRED, Told.OPEN, Told.SILENT)
"""Paid wins over all that was said before or after: the money is there. Silence says least."""
PAGE_LIFE = datetime.timedelta(minutes=60)
"""So long a family may pay on the page (Checkout allows 30 minutes to 24 hours)."""
GIVEN_UP = datetime.timedelta(minutes=90)
"""A page that the processor never heard of has ended unused after this; it could not be paid on for half an hour."""


def strongest(told: Iterable[tuple[Told, Decimal | None]]) -> tuple[Told, Decimal | None] | None:
    """Choose the word that counts among all that was said, whatever its order.

    >>> strongest([(Told.EXPIRED, None), (Told.PAID, None), (Told.OPEN, None)])[0].value
    'paid'
    """
    return min((each for each in told if each[0] in STRENGTH), key=lambda each: STRENGTH.index(each[0]), default=None)


def moved(state: str, told: Told) -> str:
    """Return the state that an attempt goes to.

    >>> [moved("started", each) for each in (Told.SILENT, Told.OPEN, Told.PAID)]
    ['unknown', 'started', 'succeeded']
    >>> [moved("expired", each) for each in (Told.FAILED, Told.PAID)]
    ['expired', 'succeeded']
    """
    if told == Told.PAID:
        return "succeeded"
    if state not in OPEN:
        return state
    return {Told.SILENT: "unknown", Told.OPEN: "started", Told.FAILED: "failed", Told.EXPIRED: "expired"}[told]


def heard(told: Told, *, started_at: datetime.datetime, now: datetime.datetime) -> Told:
    """Turn a page that the processor never heard of into one that ended unused, once it must have."""
    return Told.EXPIRED if told == Told.MISSING and now > started_at + GIVEN_UP else told


def may_begin(states: Iterable[str]) -> bool:
    """Tell whether a household whose attempts stand like this may start another: none without an end."""
    return not OPEN & set(states)

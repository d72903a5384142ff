"""Pure rules of the bench: which state follows which, what labour costs, what a family pays. No database, no clock."""

import datetime
from collections.abc import Mapping
from decimal import Decimal

from dateutil.relativedelta import relativedelta

from rentals.runtime.money import ZERO, cents

LOOK, BENCH, FAMILY, PARTS, CHECK, READY, DONE = "look", "bench", "family", "parts", "check", "ready", "done"

# What may follow each state. `done` is reached by closing only; a trigger of the database holds the same pairs.
NEXT_STATES: Mapping[str, tuple[str, ...]] = {
    LOOK: (BENCH, FAMILY, PARTS, READY, DONE),
    BENCH: (LOOK, FAMILY, PARTS, CHECK, READY, DONE),
    FAMILY: (LOOK, BENCH, PARTS, READY),
    PARTS: (BENCH, FAMILY, READY),
    CHECK: (BENCH, READY),
    READY: (BENCH, DONE),
    DONE: (),
}
OPEN_STATES = (LOOK, BENCH, FAMILY, PARTS, CHECK, READY)
WARRANTY_DAYS = 90
"""How long the shop answers for its own work, until a manager says otherwise: common practice, no source."""
ESTIMATE_DAYS = 30
"""How long an estimate holds, until a manager says otherwise: common practice, no source."""


def may_follow(state: str, wanted: str) -> bool:
    """Tell whether a work order in `state` may go to `wanted`."""
    return wanted in NEXT_STATES.get(state, ())


def labour_amount(minutes: int, per_hour: Decimal) -> Decimal:
    """Return what `minutes` come to at a rate an hour, half up to the cent, rounded once.

    >>> labour_amount(25, Decimal("64.00")), labour_amount(1, Decimal("61.00"))
    (Decimal('26.67'), Decimal('1.02'))
    """
    return cents(per_hour * minutes / 60)


def part_amount(quantity: int, each: Decimal) -> Decimal:
    """Return what `quantity` pieces come to."""
    return cents(each * quantity)


def is_under_own_warranty(*, closed_on: datetime.date, on: datetime.date, days: int) -> bool:
    """Tell whether work that left the bench on a day is still answered for by the shop; the last day counts.

    >>> is_under_own_warranty(closed_on=datetime.date(2026, 1, 1), on=datetime.date(2026, 4, 1), days=90)
    True
    """
    return closed_on <= on <= closed_on + datetime.timedelta(days=days)


def valid_until(*, made_on: datetime.date, days: int) -> datetime.date:
    """Return the last day on which an estimate may be approved."""
    return made_on + relativedelta(days=days)


def family_pays(*, price: Decimal, approved: Decimal | None, threshold: Decimal) -> Decimal:
    """Return what the family is charged: the work's price, and never more than it agreed to (common practice, no source).

    Where it was not asked, it agreed to the threshold: below it the shop goes ahead.

    >>> family_pays(price=Decimal("95.00"), approved=Decimal("80.00"), threshold=Decimal("0"))
    Decimal('80.00')
    >>> family_pays(price=Decimal("20.00"), approved=None, threshold=Decimal("25.00"))
    Decimal('20.00')
    """
    return min(price, threshold if approved is None else approved)


def split_bill(*, labour: Decimal, parts: Decimal, most: Decimal) -> tuple[Decimal, Decimal]:
    """Return what of labour and of parts is billed when both together may come to `most`: labour gives way first.

    >>> split_bill(labour=Decimal("60.00"), parts=Decimal("20.00"), most=Decimal("50.00"))
    (Decimal('30.00'), Decimal('20.00'))
    """
    over = max(labour + parts - most, ZERO)
    off_labour = min(over, labour)
    return labour - off_labour, parts - (over - off_labour)

"""What the fleet that is there now cost, and what it still stands for in the books."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import connection

from rentals.runtime.money import ZERO

# Sold, lost and retired instruments are not there. What is in the books is worth its cost less what was depreciated of it.
THERE = """
SELECT {key}, count(*), sum(i.cost), sum(a.cost - coalesce(d.accumulated, 0))
  FROM inventory_custody c JOIN inventory_instrument i ON i.id = c.instrument_id
  LEFT JOIN billing_fleetasset a ON a.instrument_id = i.id
        AND NOT EXISTS (SELECT FROM billing_fleetremoval r WHERE r.asset_id = a.id AND r.undo_entry_id IS NULL)
  LEFT JOIN LATERAL (SELECT d.accumulated FROM billing_fleetdepreciation d
                      WHERE d.asset_id = a.id ORDER BY d.month DESC LIMIT 1) d ON true
 WHERE c.ended_at IS NULL AND c.place IN ('shelf', 'bench', 'van', 'family', 'school') {one} GROUP BY 1
"""


@dataclass(frozen=True)
class Worth:
    """How many are there, what they cost, and their book value: None where none of them is in the books."""

    count: int = 0
    cost: Decimal = ZERO
    book_value: Decimal | None = None

    def __add__(self, other: "Worth") -> "Worth":
        known = [value for value in (self.book_value, other.book_value) if value is not None]
        return Worth(self.count + other.count, self.cost + other.cost, sum(known, ZERO) if known else None)


OF_ITEMS = "AND i.item_id = ANY(%(items)s)"


def _there(key: str, one: str = "", **given: Any) -> dict[int, Worth]:
    with connection.cursor() as cursor:
        cursor.execute(THERE.format(key=key, one=one), given)
        return {name: Worth(count, cost, book) for name, count, cost, book in cursor.fetchall()}


def sum_by_item(items: Sequence[int] | None = None) -> dict[int, Worth]:
    """Return what is there now of catalogue items, of some or of all."""
    return _there("i.item_id") if items is None else _there("i.item_id", OF_ITEMS, items=list(items))


def sum_by_instrument(items: Sequence[int] | None = None) -> dict[int, Worth]:
    """Return what instruments that are there now cost and stand for, of some items or of all."""
    return _there("i.id") if items is None else _there("i.id", OF_ITEMS, items=list(items))


def list_of_instruments(instruments: Sequence[int]) -> dict[int, Worth]:
    """Return what some instruments cost and stand for, those that are there."""
    return _there("i.id", "AND i.id = ANY(%(only)s)", only=list(instruments))


def get_of_instrument(instrument_id: int) -> Worth:
    """Return what one instrument cost and stands for; nothing when it is gone."""
    return list_of_instruments([instrument_id]).get(instrument_id, Worth())


AGES = """
SELECT least(floor((%(today)s::date - i.acquired_on) / 365.2425), %(most)s)::int, count(*)
  FROM inventory_custody c JOIN inventory_instrument i ON i.id = c.instrument_id
 WHERE c.ended_at IS NULL AND c.place IN ('shelf', 'bench', 'van', 'family', 'school') GROUP BY 1 ORDER BY 1
"""
OLDEST = 12


def count_by_age(today: datetime.date) -> list[int]:
    """Return how many are in their first, second, … year since they were bought; a thirteenth count is of all that are older."""
    counts = [0] * (OLDEST + 1)
    with connection.cursor() as cursor:
        cursor.execute(AGES, {"today": today, "most": OLDEST})
        for age, count in cursor.fetchall():
            counts[max(0, age)] += count
    while counts and not counts[-1]:
        counts.pop()
    return counts

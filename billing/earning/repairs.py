"""What work at the bench cost the shop: labour and parts of every order but those the family pays, on the day each was done."""

import datetime
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import connection

from billing.earning.spans import Span, midnight

COST = """
SELECT {key}, sum(l.cost) FROM inventory_workline l JOIN inventory_workorder o ON o.id = l.order_id {joins}
 WHERE l.done_at >= %(from)s AND l.done_at < %(until)s AND o.paid_by <> 'family' {one} GROUP BY 1
"""
USUAL = """
SELECT i.item_id, count(*), sum(o.cost)
  FROM (SELECT o.instrument_id, sum(l.cost) AS cost FROM inventory_workorder o JOIN inventory_workline l ON l.order_id = o.id
         WHERE o.kind = 'repair' AND o.closed_at >= %(from)s AND o.closed_at < %(until)s GROUP BY o.id) o
  JOIN inventory_instrument i ON i.id = o.instrument_id GROUP BY 1
"""


def _ask(statement: str, span: Span, **more: Any) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement, {"from": midnight(span.from_on), "until": midnight(span.until_on), **more})
        return list(cursor.fetchall())


JOIN = "JOIN inventory_instrument i ON i.id = o.instrument_id"
OF_ITEMS = "AND i.item_id = ANY(%(items)s)"


def sum_by_item(span: Span, items: Sequence[int] | None = None) -> dict[int, Decimal]:
    """Return what work on the instruments of catalogue items cost in a span, of some items or of all."""
    statement = COST.format(key="i.item_id", joins=JOIN, one="" if items is None else OF_ITEMS)
    return dict(_ask(statement, span, items=list(items or [])))


def sum_by_instrument(span: Span, items: Sequence[int] | None = None) -> dict[int, Decimal]:
    """Return what work on instruments cost in a span, of some items or of all."""
    statement = COST.format(key="o.instrument_id", joins=JOIN, one="" if items is None else OF_ITEMS)
    return dict(_ask(statement, span, items=list(items or [])))


def list_months_of_instrument(instrument_id: int, span: Span) -> list[tuple[datetime.date, Decimal]]:
    """List what work on one instrument cost month by month (first days); months without any are left out."""
    month = "date_trunc('month', l.done_at AT TIME ZONE %(zone)s)::date"
    statement = COST.format(key=month, joins="", one="AND o.instrument_id = %(instrument)s")
    return sorted(_ask(statement, span, instrument=instrument_id, zone=settings.TIME_ZONE))


def list_usual(span: Span) -> dict[int, tuple[int, Decimal]]:
    """Return by catalogue item how many repairs were finished in a span, and what they cost together, whoever paid."""
    return {item: (count, cost) for item, count, cost in _ask(USUAL, span)}

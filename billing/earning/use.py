"""How much of the time instruments were out with families, read from the chain of custody: by item, by instrument, by month.

Out is with a family. Ready is on a shelf or packed for a school. At the bench an instrument is the shop's, but not fit to be
rented; lost, sold and retired it is not there. Days are of 24 hours, from the moments of the custody; months begin at the
office's midnight.
"""

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db import connection

from billing.earning.rules import Use
from billing.earning.spans import Span, list_months, midnight

DAY = 86400.0
YEARS_SHOWN = 3

# A day's part of every custody that lies in the span. Only the places where an instrument is the shop's are asked for.
SPENT = """
SELECT {key}, sum(c.days) FILTER (WHERE c.place = 'family'), sum(c.days) FILTER (WHERE c.place IN ('shelf', 'van', 'school')),
       sum(c.days) FILTER (WHERE c.place = 'bench')
  FROM (SELECT instrument_id, place, date_part('epoch', least(coalesce(ended_at, %(until)s), %(until)s::timestamptz)
                                                        - greatest(began_at, %(from)s::timestamptz)) / 86400 AS days
          FROM inventory_custody
         WHERE place IN ('family', 'shelf', 'van', 'school', 'bench') AND began_at < %(until)s
           AND (ended_at IS NULL OR ended_at > %(from)s) {one}) c
  {joins} GROUP BY 1
"""


OF_ITEMS = "AND instrument_id IN (SELECT id FROM inventory_instrument WHERE item_id = ANY(%(items)s))"


def _spent(span: Span, now: datetime.datetime, items: Sequence[int] | None, *, key: str, joins: str = "") -> dict[int, Use]:
    asked: dict[str, Any] = {
        "from": midnight(span.from_on),
        "until": min(midnight(span.until_on), now),
        "items": list(items or []),
    }
    with connection.cursor() as cursor:
        cursor.execute(SPENT.format(key=key, joins=joins, one="" if items is None else OF_ITEMS), asked)
        return {name: Use(out or 0.0, ready or 0.0, bench or 0.0) for name, out, ready, bench in cursor.fetchall()}


def sum_by_item(span: Span, now: datetime.datetime, items: Sequence[int] | None = None) -> dict[int, Use]:
    """Return how the instruments of catalogue items were used in a span up to now, of some items or of all."""
    return _spent(span, now, items, key="i.item_id", joins="JOIN inventory_instrument i ON i.id = c.instrument_id")


def sum_by_instrument(span: Span, now: datetime.datetime, items: Sequence[int] | None = None) -> dict[int, Use]:
    """Return how instruments were used in a span up to now, of some items or of all."""
    return _spent(span, now, items, key="c.instrument_id")


# One pass over the moves: how many began in one month and ended in another, and the sums of their seconds. What lies between is
# arithmetic, so no move is taken apart month by month. The two series of months add and leave out no row: they tell the planner
# how few groups come out, and only then does it add up in several processes.
MOVES = """
SELECT i.item_id, c.place, f.month, l.month, count(*), sum(c.began), sum(c.ended)
  FROM (SELECT instrument_id, place,
               width_bucket(greatest(began_at, %(from)s::timestamptz), %(bounds)s::timestamptz[]) AS first,
               width_bucket(least(ended_at, %(until)s::timestamptz), %(bounds)s::timestamptz[]) AS last,
               date_part('epoch', greatest(began_at, %(from)s::timestamptz) - %(from)s) AS began,
               date_part('epoch', least(ended_at, %(until)s::timestamptz) - %(from)s) AS ended
          FROM inventory_custody
         WHERE place IN ('family', 'shelf', 'van', 'school', 'bench') AND began_at < %(until)s
           AND (ended_at IS NULL OR ended_at > %(from)s) {one}) c
  JOIN inventory_instrument i ON i.id = c.instrument_id
  LEFT JOIN generate_series(1, cardinality(%(bounds)s::timestamptz[])) AS f(month) ON f.month = c.first
  LEFT JOIN generate_series(1, cardinality(%(bounds)s::timestamptz[])) AS l(month) ON l.month = c.last
 GROUP BY 1, 2, 3, 4
"""


@dataclass(frozen=True)
class MonthsOfUse:
    """Use month by month (first days) of every catalogue item."""

    months: list[datetime.date]
    by_item: dict[int, list[Use]]

    def of(self, items: Sequence[int] | None = None) -> list[Use]:
        """Add up the items, or all of them."""
        chosen = [self.by_item[item] for item in (self.by_item if items is None else items) if item in self.by_item]
        return [sum((each[place] for each in chosen), Use()) for place in range(len(self.months))]


def list_by_month(
    until_on: datetime.date, now: datetime.datetime, months: int = 12 * YEARS_SHOWN, instrument: int | None = None
) -> MonthsOfUse:
    """Return the use of every item, or of one instrument alone, in so many months up to now.

    The last month is the one of the day before `until_on`.
    """
    firsts = list_months(until_on, months)
    bounds = [midnight(day) for day in firsts]
    starts = [bound.timestamp() - bounds[0].timestamp() for bound in bounds]
    until = min(bounds[-1], now)
    spent: dict[int, dict[str, list[float]]] = defaultdict(lambda: {kind: [0.0] * months for kind in ("out", "ready", "bench")})
    statement = MOVES.format(one="" if instrument is None else "AND instrument_id = %(instrument)s")
    with connection.cursor() as cursor:
        cursor.execute(statement, {"from": bounds[0], "until": until, "bounds": bounds, "instrument": instrument})
        for item, place, first, last, count, began, ended in cursor.fetchall():
            stays = Stays(first - 1, min(last - 1, months - 1), count, began, ended)
            _spread(spent[item][KINDS[place]], starts, stays)
    by_item = {
        item: [Use(*(kinds[kind][place] / DAY for kind in ("out", "ready", "bench"))) for place in range(months)]
        for item, kinds in spent.items()
    }
    return MonthsOfUse(firsts[:-1], by_item)


KINDS = {"family": "out", "shelf": "ready", "van": "ready", "school": "ready", "bench": "bench"}


class Stays(NamedTuple):
    """Stays that begin in month `first` and end in month `last`; began and ended are sums of seconds from the first bound."""

    first: int
    last: int
    number: int
    began: float
    ended: float


def _spread(seconds: list[float], starts: list[float], stays: Stays) -> None:
    """Add stays to the months they lie in."""
    first, last, number, began, ended = stays
    if first == last:
        seconds[first] += ended - began
        return
    seconds[first] += number * starts[first + 1] - began
    for month in range(first + 1, last):
        seconds[month] += number * (starts[month + 1] - starts[month])
    seconds[last] += ended - number * starts[last]

"""The fleet rolled forward by kind of instrument: cost, what was bought and what left, depreciation, book value."""

from decimal import Decimal

from django.db import connection

from billing import chart
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Report, Tie, add, columns, money, whole_rows
from billing.closing.span import Month
from rentals.runtime.money import ZERO

# Every entry that moved cost or depreciation of an asset, with its day: booked, depreciated, removed, put back.
ROLLED = """
WITH moves AS (
    SELECT a.id AS asset, e.entry_on, a.cost, 0::numeric AS depreciated, 'in' AS how
      FROM billing_fleetasset a JOIN billing_journalentry e ON e.id = a.entry_id
     UNION ALL
    SELECT d.asset_id, e.entry_on, 0, d.amount, 'wear'
      FROM billing_fleetdepreciation d JOIN billing_journalentry e ON e.id = d.entry_id
     UNION ALL
    SELECT r.asset_id, e.entry_on, -a.cost, -r.depreciated, 'out' FROM billing_fleetremoval r
      JOIN billing_fleetasset a ON a.id = r.asset_id JOIN billing_journalentry e ON e.id = r.entry_id
     UNION ALL
    SELECT r.asset_id, e.entry_on, a.cost, r.depreciated, 'out' FROM billing_fleetremoval r
      JOIN billing_fleetasset a ON a.id = r.asset_id JOIN billing_journalentry e ON e.id = r.undo_entry_id
)
SELECT k.name, coalesce(sum(m.cost) FILTER (WHERE m.entry_on < %(first)s), 0),
       coalesce(sum(m.cost) FILTER (WHERE m.entry_on >= %(first)s AND m.how = 'in'), 0),
       coalesce(sum(m.cost) FILTER (WHERE m.entry_on >= %(first)s AND m.how = 'out'), 0), sum(m.cost),
       coalesce(sum(m.depreciated) FILTER (WHERE m.entry_on < %(first)s), 0),
       coalesce(sum(m.depreciated) FILTER (WHERE m.entry_on >= %(first)s AND m.how = 'wear'), 0),
       coalesce(sum(m.depreciated) FILTER (WHERE m.entry_on >= %(first)s AND m.how = 'out'), 0), sum(m.depreciated),
       sum(m.cost) - sum(m.depreciated)
  FROM moves m JOIN billing_fleetasset a ON a.id = m.asset JOIN inventory_instrument i ON i.id = a.instrument_id
  JOIN inventory_catalogueitem c ON c.id = i.item_id JOIN inventory_instrumentkind k ON k.code = c.kind_id
 WHERE m.entry_on < %(before)s GROUP BY k.code ORDER BY k."order", k.name
"""


def fleet(month: Month) -> Report:
    """Roll cost and depreciation of what is in the books forward through a month. What left is negative."""
    with connection.cursor() as cursor:
        cursor.execute(ROLLED, {"first": month.first_day, "before": month.ends_before})
        rows: list[tuple[str | Decimal, ...]] = cursor.fetchall()
    after = list_balances(month.last_day)
    return Report(
        code="fleet",
        title="Fleet, rolled forward",
        month=month,
        columns=(
            *columns("Kind"),
            *money("Cost before", "Bought", "Left", "Cost", "Depreciated before", "In the month", "Of what left", "Depreciated"),
            *money("Book value"),
        ),
        rows=whole_rows(rows),
        ties=(
            Tie(f"Cost beside account {chart.FLEET}", _sum(rows, 4), after.get(chart.FLEET, ZERO)),
            Tie(f"Depreciation beside account {chart.DEPRECIATED}", -_sum(rows, 8), after.get(chart.DEPRECIATED, ZERO)),
        ),
    )


def _sum(rows: list[tuple[str | Decimal, ...]], place: int) -> Decimal:
    return add(cell for row in rows if isinstance(cell := row[place], Decimal))

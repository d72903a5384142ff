"""Sales tax by jurisdiction and sort of sale: taxable, exempt, not taxed, tax; equal to the movement of the tax account."""

import datetime
from decimal import Decimal

from django.db import connection

from billing import chart
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Caution, Report, Tie, add, columns, money, whole_rows
from billing.closing.span import Month
from billing.models import ChargeLine
from rentals.runtime.money import ZERO

# Bills posted in the month count, bills taken back in it count back. The line of tax follows the line it taxes. A line without
# tax is exempt where its area taxes such a sale and the family had a certificate on the day; else it is not taxed there.
LINES = """
WITH counted AS (
    SELECT c.id, 1 AS sign FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id
     WHERE e.entry_on >= %(first)s AND e.entry_on < %(before)s AND c.kind <> 'refund'
     UNION ALL
    SELECT c.id, -1 FROM billing_charge c JOIN billing_journalentry e ON e.id = c.void_entry_id
     WHERE e.entry_on >= %(first)s AND e.entry_on < %(before)s AND c.kind <> 'refund'
), told AS (
    SELECT coalesce(t.name, '') AS area, l.kind, n.sign, l.amount, x.amount AS tax, x.id IS NULL AND rate.rate > 0 AND EXISTS (
           SELECT FROM agreements_taxexemption m
            WHERE m.household_id = c.household_id AND c.due_on BETWEEN m.from_on AND m.expires_on
              AND (m.area_id IS NULL OR m.area_id = a.tax_area_id)) AS exempt
      FROM counted n JOIN billing_charge c ON c.id = n.id JOIN billing_chargeline l ON l.charge_id = c.id AND NOT l.is_tax
      LEFT JOIN billing_chargeline x ON x.charge_id = c.id AND x.is_tax AND x.position = l.position + 1
      LEFT JOIN agreements_agreement a ON a.id = c.agreement_id LEFT JOIN agreements_taxarea t ON t.code = a.tax_area_id
      LEFT JOIN LATERAL (SELECT r.rate FROM agreements_taxrate r WHERE r.area_id = a.tax_area_id AND r.effective_from <= c.due_on
                            AND r.applies_to = CASE l.kind WHEN 'instrument' THEN 'goods' ELSE l.kind END
                          ORDER BY r.effective_from DESC LIMIT 1) rate ON true
)
SELECT area, kind, sum(sign * amount), coalesce(sum(sign * amount) FILTER (WHERE tax IS NOT NULL), 0),
       coalesce(sum(sign * amount) FILTER (WHERE tax IS NULL AND exempt), 0),
       coalesce(sum(sign * amount) FILTER (WHERE tax IS NULL AND exempt IS NOT TRUE), 0), coalesce(sum(sign * tax), 0)
  FROM told GROUP BY 1, 2 ORDER BY area = '', 1, 2
"""
OTHER = """
SELECT coalesce(-sum(p.amount), 0) FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
 WHERE p.account_id = %(tax)s AND e.entry_on >= %(first)s AND e.entry_on < %(before)s
   AND NOT EXISTS (SELECT FROM billing_charge c WHERE c.entry_id = coalesce(e.reverses_id, e.id))
"""


def tax(month: Month) -> Report:
    """List what was sold by jurisdiction and sort; entries on the tax account that are no bill stand in a row of their own."""
    with connection.cursor() as cursor:
        given: dict[str, datetime.date | str] = {"first": month.first_day, "before": month.ends_before, "tax": chart.SALES_TAX}
        cursor.execute(LINES, given)
        sold = [(area or "No agreement", str(ChargeLine.Kind(kind).label), *sums) for area, kind, *sums in cursor.fetchall()]
        cursor.execute(OTHER, given)
        other = cursor.fetchone()[0]
    rows: list[tuple[str | Decimal | None, ...]] = [*sold]
    if other:
        rows.append(("Paid to the state, and other entries", "", None, None, None, None, other))
    before, after = list_balances(month.day_before), list_balances(month.last_day)
    moved = before.get(chart.SALES_TAX, ZERO) - after.get(chart.SALES_TAX, ZERO)
    shown = add(cell for row in rows if isinstance(cell := row[6], Decimal))
    return Report(
        code="tax",
        title="Sales tax by jurisdiction",
        month=month,
        columns=(*columns("Jurisdiction", "Sale"), *money("Sold", "Taxable", "Exempt", "Not taxed", "Tax")),
        rows=whole_rows(rows),
        ties=(Tie(f"Tax beside what moved on account {chart.SALES_TAX}", shown, moved),),
        notes=(
            "Tax is counted when it was billed; a bill taken back counts back in the month in which it was taken back.",
            "“Exempt” is what a family with a certificate on file bought where others are taxed.",
        ),
        caution=Caution("tax", "The state decides what is taxable, when tax is due, and whether it follows billing or payment."),
    )

"""Months of books in bulk for the bench of reading them: bills, payments and what these paid, all made in SQL."""

from typing import Any

from django.db import connection

from billing import bench_data

MONTHS = 5
"""Of bills; all but the last are closed."""

# Entry and charge numbers of month m: bills from 2 * m * size on, payments half way between.
BILLS = [
    """
CREATE TABLE IF NOT EXISTS bench_bill AS SELECT 0 AS m, 0::bigint AS charge_id, 0::bigint AS entry_id, 0::bigint AS pay_id, a.*,
       0.00 AS tax, now()::date AS due_on, true AS is_paid FROM (SELECT id AS agreement_id, household_id, monthly_rent AS rent,
       monthly_protection AS protection FROM agreements_agreement) a WHERE false
""",
    """
INSERT INTO bench_bill
SELECT %(m)s, %(m)s * %(size)s + a.id, 2 * %(m)s * %(size)s + a.id, (2 * %(m)s + 1) * %(size)s + a.id, a.id, a.household_id,
       a.monthly_rent, a.monthly_protection, round(a.monthly_rent * 0.0725, 2), (a.starts_on + %(m)s * interval '1 month')::date,
       (a.id + %(m)s) %% CASE WHEN %(m)s < %(last)s THEN 10 ELSE 2 END <> 0
  FROM agreements_agreement a ORDER BY a.id
""",
    """
INSERT INTO billing_journalentry (id, entry_on, kind, memo, source, currency, made_at, made_by_id)
SELECT entry_id, due_on, 'charge', 'Rent of month ' || m, 'charge/' || charge_id, %(currency)s, now(), %(user)s
  FROM bench_bill WHERE m = %(m)s
UNION ALL
SELECT pay_id, due_on + 2, 'payment', 'Cash of month ' || m, 'payment/' || charge_id, %(currency)s, now(), %(user)s
  FROM bench_bill WHERE m = %(m)s AND is_paid
""",
    """
INSERT INTO billing_posting (entry_id, account_id, household_id, amount)
SELECT p.* FROM bench_bill b CROSS JOIN LATERAL (VALUES
    (entry_id, '1200', household_id, rent + tax + protection), (entry_id, '4000', NULL, -rent),
    (entry_id, '4100', NULL, -protection), (entry_id, '2100', NULL, -tax),
    (CASE WHEN is_paid THEN pay_id END, '1000', NULL, rent + tax + protection),
    (CASE WHEN is_paid THEN pay_id END, '1200', household_id, -rent - tax - protection)) p (entry, account, household, amount)
 WHERE m = %(m)s AND p.entry IS NOT NULL
""",
    """
INSERT INTO billing_charge (id, household_id, agreement_id, kind, period, period_begins_on, period_ends_on, due_on, entry_id)
SELECT charge_id, household_id, agreement_id, 'rent', m, due_on, (due_on + interval '1 month')::date, due_on, entry_id
  FROM bench_bill WHERE m = %(m)s
""",
    """
INSERT INTO billing_chargeline (id, charge_id, position, kind, is_tax, description, tax_rate, amount)
SELECT 4 * charge_id + l.position, charge_id, l.* FROM bench_bill CROSS JOIN LATERAL (VALUES
    (1, 'rent', false, 'Rent', NULL, rent), (2, 'rent', true, 'Sales tax on rent', 0.0725, tax),
    (3, 'protection', false, 'Protection', NULL, protection)) l (position, kind, is_tax, description, rate, amount)
 WHERE m = %(m)s
""",
    """
INSERT INTO billing_payment (id, number, household_id, method, cheque_number, amount, received_on, entry_id, taken_at,
                             taken_by_id)
SELECT charge_id, 'P-' || charge_id, household_id, 'cash', '', rent + tax + protection, due_on + 2, pay_id, now(), %(user)s
  FROM bench_bill WHERE m = %(m)s AND is_paid
""",
    """
INSERT INTO billing_allocation (payment_id, line_id, amount, made_at)
SELECT charge_id, 4 * charge_id + l.position, l.amount, now()
  FROM bench_bill CROSS JOIN LATERAL (VALUES (1, rent), (2, tax), (3, protection)) l (position, amount)
 WHERE m = %(m)s AND is_paid
""",
    """
INSERT INTO billing_openitem (charge_id, household_id, due_on, open)
SELECT charge_id, household_id, due_on, rent + tax + protection FROM bench_bill WHERE m = %(m)s AND NOT is_paid
""",
]
CLOSE = """
INSERT INTO billing_closedmonth (first_day, closed_at, closed_by_id, entry_count, debits)
SELECT day, now(), %(user)s, 0, 0 FROM generate_series(%(starts)s::date, %(starts)s::date + interval '1 month' * (%(last)s - 1),
       interval '1 month') day
"""
FILLED = [
    *bench_data.BOOKS,
    "billing_payment",
    "billing_allocation",
]


def fill(keys: dict[str, Any], *, size: int, starts: str) -> None:
    """Bill so many agreements for five months, let most of them pay, and close all months but the last."""
    told = keys | {"size": size, "last": MONTHS - 1, "starts": starts}
    with bench_data.behind_the_triggers(FILLED), connection.cursor() as cursor:
        cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        if cursor.fetchone()[0]:
            cursor.execute("SET LOCAL session_replication_role = replica")  # without keys; elsewhere it takes a few minutes more
        for month in range(MONTHS):
            for statement in BILLS:
                cursor.execute(statement, told | {"m": month})
    with connection.cursor() as cursor:
        cursor.execute(CLOSE, told)
    bench_data.settle([*FILLED, "billing_monthtotal"])

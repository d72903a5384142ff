"""Which payment or credit note pays which line: oldest due date first, for one household or for thousands in one statement.

Every household has a queue of unpaid lines and a queue of money not yet used, payments before credit notes. Laid end to end,
what overlaps is allocated.
"""

import datetime
from collections.abc import Sequence
from typing import Any

from django.db import connection

# Rent and its tax, then protection and its tax, then goods and instruments, fees, money paid back last.
RANK = "CASE l.kind WHEN 'rent' THEN 0 WHEN 'protection' THEN 1 WHEN 'fee' THEN 3 WHEN 'refund' THEN 4 ELSE 2 END"

OPEN_LINES = f"""
    SELECT c.household_id, l.id, l.amount - coalesce(sum(a.amount), 0) AS open,
           row_number() OVER (PARTITION BY c.household_id ORDER BY c.due_on, {RANK}, c.id, l.position) AS place
      FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
      LEFT JOIN billing_allocation a ON a.line_id = l.id AND a.released_at IS NULL
     WHERE c.household_id = ANY(%(households)s) AND c.void_entry_id IS NULL
     GROUP BY c.household_id, c.due_on, c.id, l.id
    HAVING l.amount > coalesce(sum(a.amount), 0)
"""  # noqa: S608 - no part of it comes from outside

# Payments first, then credit notes: rent that money could have paid shall count toward the family's rental credit.
UNUSED_MONEY = """
    SELECT household_id, payment_id, credit_note_id, unused,
           row_number() OVER (PARTITION BY household_id
                              ORDER BY credit_note_id IS NOT NULL, "on", payment_id, credit_note_id) AS place
      FROM (
        SELECT p.household_id, p.id AS payment_id, NULL::bigint AS credit_note_id, p.received_on AS "on",
               p.amount - coalesce(sum(a.amount), 0) AS unused
          FROM billing_payment p LEFT JOIN billing_allocation a ON a.payment_id = p.id AND a.released_at IS NULL
         WHERE p.household_id = ANY(%(households)s)
           AND NOT EXISTS (SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id)
         GROUP BY p.id
        UNION ALL
        SELECT n.household_id, NULL, n.id, n.credited_on, n.amount - coalesce(sum(a.amount), 0)
          FROM billing_creditnote n LEFT JOIN billing_allocation a ON a.credit_note_id = n.id AND a.released_at IS NULL
         WHERE n.household_id = ANY(%(households)s) AND n.void_entry_id IS NULL
         GROUP BY n.id) sources
     WHERE unused > 0
"""

# A source that pays more of a line it already pays a part of: the part is released and made anew in full.
_ALLOCATE = """
WITH lines AS (
    SELECT household_id, id, open, place, sum(open) OVER (PARTITION BY household_id ORDER BY place) AS until FROM ({lines}) x
), money AS (
    SELECT household_id, payment_id, credit_note_id, unused, place,
           sum(unused) OVER (PARTITION BY household_id ORDER BY place) AS until
      FROM ({money}) x
), pairs AS (
    SELECT m.payment_id, m.credit_note_id, l.id AS line_id, m.household_id, m.place AS payment_place, l.place AS line_place,
           least(m.until, l.until) - greatest(m.until - m.unused, l.until - l.open) AS amount
      FROM money m JOIN lines l ON l.household_id = m.household_id
       AND l.until - l.open < m.until AND m.until - m.unused < l.until
), enlarged AS (
    UPDATE billing_allocation a SET released_at = greatest(%(now)s, a.made_at) FROM pairs
     WHERE (a.payment_id = pairs.payment_id OR a.credit_note_id = pairs.credit_note_id)
       AND a.line_id = pairs.line_id AND a.released_at IS NULL
    RETURNING a.payment_id, a.credit_note_id, a.line_id, a.amount
)
INSERT INTO billing_allocation (payment_id, credit_note_id, line_id, amount, made_at)
SELECT p.payment_id, p.credit_note_id, p.line_id, p.amount + coalesce(e.amount, 0), %(now)s
  FROM pairs p LEFT JOIN enlarged e
    ON e.line_id = p.line_id AND (e.payment_id = p.payment_id OR e.credit_note_id = p.credit_note_id)
 ORDER BY p.household_id, p.payment_place, p.line_place
"""
ALLOCATE = _ALLOCATE.format(lines=OPEN_LINES, money=UNUSED_MONEY)

# One payment or credit note, and one agreement's own lines.
ALLOCATE_TO_AGREEMENT = _ALLOCATE.format(
    lines=f"""SELECT o.* FROM ({OPEN_LINES}) o JOIN billing_chargeline l ON l.id = o.id
                JOIN billing_charge c ON c.id = l.charge_id WHERE c.agreement_id = %(agreement)s""",  # noqa: S608
    money=f"SELECT u.* FROM ({UNUSED_MONEY}) u WHERE payment_id = %(payment)s OR credit_note_id = %(credit_note)s",  # noqa: S608
)

RELEASE = """
UPDATE billing_allocation a SET released_at = greatest(%(now)s, a.made_at) FROM billing_chargeline l
 WHERE l.id = a.line_id AND a.released_at IS NULL AND {which} = %(id)s
"""


def apply_credit(*, household_ids: Sequence[int], now: datetime.datetime) -> int:
    """Allocate the households' unused money to their unpaid lines and return how many allocations were made.

    Runs inside an operation that has locked these households. Payments are used in the order they were received.
    """
    with connection.cursor() as cursor:
        cursor.execute(ALLOCATE, {"households": list(household_ids), "now": now})
        return int(cursor.rowcount)


def pay_agreement_first(
    *,
    household_id: int,
    agreement_id: int,
    now: datetime.datetime,
    payment_id: int | None = None,
    credit_note_id: int | None = None,
) -> int:
    """Let one payment or one credit note pay an agreement's own lines, oldest first; return how many allocations were made.

    For money that is about one agreement: inside an operation that has locked the household, before `apply_credit`, which
    uses what is left for the household's other lines.
    """
    given: dict[str, Any] = {
        "households": [household_id],
        "agreement": agreement_id,
        "payment": payment_id,
        "credit_note": credit_note_id,
        "now": now,
    }
    with connection.cursor() as cursor:
        cursor.execute(ALLOCATE_TO_AGREEMENT, given)
        return int(cursor.rowcount)


def release_of_charge(*, charge_id: int, now: datetime.datetime) -> int:
    """Release everything paid on a charge, inside the operation that voids it."""
    return _release("l.charge_id", charge_id, now)


def release_of_credit_note(*, credit_note_id: int, now: datetime.datetime) -> int:
    """Release everything a credit note paid for, inside the operation that voids it."""
    return _release("a.credit_note_id", credit_note_id, now)


def release_of_payment(*, payment_id: int, now: datetime.datetime) -> int:
    """Release everything a payment paid for, inside the operation that takes it back."""
    return _release("a.payment_id", payment_id, now)


def _release(which: str, key: int, now: datetime.datetime) -> int:
    with connection.cursor() as cursor:
        cursor.execute(RELEASE.format(which=which), {"id": key, "now": now})
        return int(cursor.rowcount)

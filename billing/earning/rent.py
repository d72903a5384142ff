"""Rent and protection by the instrument that earned them: what was billed, as the ledger has it, and what was paid of it.

The rule is `rules.share_rent`; here it is in SQL, for a whole fleet at once, and a test holds both together.
"""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import connection

from billing.earning.spans import Span
from rentals.runtime.money import ZERO


@dataclass(frozen=True)
class Earned:
    """Before tax. `rent` and `protection` are what was billed less what was voided: what accounts 4000 and 4100 moved.

    `credited` is what credit notes let go of the rent billed in the span, `paid` what payments in force pay of it, both so far.
    """

    rent: Decimal = ZERO
    protection: Decimal = ZERO
    credited: Decimal = ZERO
    paid: Decimal = ZERO

    @property
    def net(self) -> Decimal:
        """Rent less what was let go of it: what it earned."""
        return self.rent - self.credited

    @property
    def total(self) -> Decimal:
        """Rent that was not let go, and protection."""
        return self.net + self.protection

    def __add__(self, other: "Earned") -> "Earned":
        return Earned(*(getattr(self, each.name) + getattr(other, each.name) for each in fields(Earned)))


def add_up(rows: Iterable[Earned]) -> Earned:
    """Add what was earned."""
    return sum(rows, Earned())


# Which rented instruments may have a share in an agreement's rent: its own, and those of the agreements that followed it.
STAYS = """
WITH RECURSIVE chain AS (
    SELECT a.follows_id AS agreement_id, a.id AS member_id FROM agreements_agreement a WHERE a.follows_id IS NOT NULL {of_chain}
     UNION ALL
    SELECT chain.agreement_id, a.id FROM chain JOIN agreements_agreement a ON a.follows_id = chain.member_id
), stays AS MATERIALIZED (
    SELECT u.agreement_id, u.instrument_id, u.id, (u.began_at AT TIME ZONE %(zone)s)::date AS began_on,
           (u.ended_at AT TIME ZONE %(zone)s)::date AS ended_on
      FROM agreements_agreementunit u WHERE u.role = 'rented' {of_unit}
     UNION ALL
    SELECT chain.agreement_id, u.instrument_id, u.id, (u.began_at AT TIME ZONE %(zone)s)::date,
           (u.ended_at AT TIME ZONE %(zone)s)::date
      FROM chain JOIN agreements_agreementunit u ON u.agreement_id = chain.member_id AND u.role = 'rented'
), holders AS MATERIALIZED (
    SELECT agreement_id, count(*) AS stays, min(instrument_id) AS instrument_id FROM stays GROUP BY agreement_id
)"""

# Charges billed in the span, and, with the other sign, those voided in it: by the day of their entries, as the ledger has them.
SAID = """, said AS (
    SELECT c.id, c.agreement_id, c.period_begins_on, c.period_ends_on, c.due_on, e.entry_on, 1 AS sign
      FROM billing_journalentry e JOIN billing_charge c ON c.entry_id = e.id
     WHERE e.entry_on >= %(from)s AND e.entry_on < %(until)s {of_charge}
     UNION ALL
    SELECT c.id, c.agreement_id, c.period_begins_on, c.period_ends_on, c.due_on, e.entry_on, -1
      FROM billing_journalentry e JOIN billing_charge c ON c.void_entry_id = e.id
     WHERE e.entry_on >= %(from)s AND e.entry_on < %(until)s {of_charge}
), lines AS (
    SELECT s.agreement_id, s.period_begins_on, s.period_ends_on, s.due_on, s.entry_on,
           CASE WHEN l.kind = 'rent' THEN l.amount * s.sign ELSE 0 END AS rent,
           CASE WHEN l.kind = 'protection' THEN l.amount * s.sign ELSE 0 END AS protection, 0 AS credited, 0 AS paid
      FROM said s JOIN billing_chargeline l ON l.charge_id = s.id WHERE l.kind IN ('rent', 'protection') AND NOT l.is_tax
     UNION ALL
    SELECT s.agreement_id, s.period_begins_on, s.period_ends_on, s.due_on, s.entry_on, 0, 0,
           CASE WHEN al.payment_id IS NULL THEN al.amount ELSE 0 END, CASE WHEN al.payment_id IS NULL THEN 0 ELSE al.amount END
      FROM said s JOIN billing_chargeline l ON l.charge_id = s.id
      JOIN billing_allocation al ON al.line_id = l.id AND al.released_at IS NULL
     WHERE s.sign = 1 AND l.kind = 'rent' AND NOT l.is_tax
), pieces AS MATERIALIZED (
    SELECT s.agreement_id, min(h.instrument_id) AS instrument_id, {month} AS month,
           CASE WHEN h.stays > 1 THEN coalesce(s.period_begins_on, s.due_on) END AS begins_on,
           CASE WHEN h.stays > 1 THEN coalesce(s.period_ends_on, s.due_on + 1) END AS ends_on,
           sum(s.rent) AS rent, sum(s.protection) AS protection, sum(s.credited) AS credited, sum(s.paid) AS paid
      FROM lines s LEFT JOIN holders h ON h.agreement_id = s.agreement_id GROUP BY 1, 3, 4, 5
)"""

# Where several instruments come into question, each gets its days' share; running sums are rounded, so nothing is lost.
SHARED = """, held AS (
    SELECT p.agreement_id, p.month, p.begins_on, p.ends_on, p.rent, p.protection, p.credited, p.paid, st.instrument_id, st.id,
           st.began_on,
           greatest(least(coalesce(st.ended_on, p.ends_on), p.ends_on) - greatest(st.began_on, p.begins_on), 0) AS days
      FROM pieces p JOIN stays st ON st.agreement_id = p.agreement_id WHERE p.begins_on IS NOT NULL
), weighed AS (
    SELECT held.*, sum(days) OVER so_far - days AS before, sum(days) OVER so_far AS through, sum(days) OVER piece AS whole,
           row_number() OVER (PARTITION BY agreement_id, month, begins_on, ends_on
                              ORDER BY began_on >= ends_on, abs(began_on - begins_on), began_on, id) AS nearness
      FROM held
    WINDOW piece AS (PARTITION BY agreement_id, month, begins_on, ends_on),
           so_far AS (PARTITION BY agreement_id, month, begins_on, ends_on ORDER BY began_on, id)
), shares AS (
    SELECT p.instrument_id, p.month, p.rent, p.protection, p.credited, p.paid FROM pieces p WHERE p.begins_on IS NULL
     UNION ALL
    SELECT w.instrument_id, w.month, {rent}, {protection}, {credited}, {paid} FROM weighed w WHERE w.whole > 0 AND w.days > 0
     UNION ALL
    SELECT w.instrument_id, w.month, w.rent, w.protection, w.credited, w.paid FROM weighed w WHERE w.whole = 0 AND w.nearness = 1
)
SELECT {key}, sum(s.rent), sum(s.protection), sum(s.credited), sum(s.paid) FROM shares s {joins} {wanted} GROUP BY 1"""
SHARE = "round(w.{0} * w.through / w.whole, 2) - round(w.{0} * w.before / w.whole, 2)"


# The agreements in whose rent some instruments may have a share: those they were on, and those that these followed.
ONLY_OF = """ IN (
    WITH RECURSIVE mine AS (
        SELECT u.agreement_id AS id FROM agreements_agreementunit u JOIN inventory_instrument i ON i.id = u.instrument_id
         WHERE u.role = 'rented' AND {of}
         UNION
        SELECT a.follows_id FROM mine JOIN agreements_agreement a ON a.id = mine.id WHERE a.follows_id IS NOT NULL
    ) SELECT id FROM mine)"""


def _earned(span: Span, *, key: str, of: str = "", month: str = "NULL::date", joins: str = "", **more: Any) -> dict[Any, Earned]:
    """Run the statement. `key` is what its rows are by; `of`, a condition on instruments `i`, leaves the others out."""
    only = ONLY_OF.format(of=of) if of else ""
    statement = (STAYS + SAID + SHARED).format(
        of_chain=f"AND a.follows_id{only}" if only else "",
        of_unit=f"AND u.agreement_id{only}" if only else "",
        of_charge=f"AND c.agreement_id{only}" if only else "",
        wanted=f"WHERE {of}" if of else "",
        key=key,
        month=month,
        joins=JOIN if of else joins,
        **{each.name: SHARE.format(each.name) for each in fields(Earned)},
    )
    given: dict[str, Any] = {"from": span.from_on, "until": span.until_on, "zone": settings.TIME_ZONE, **more}
    with connection.cursor() as cursor:
        cursor.execute(statement, given)
        return {name: Earned(*sums) for name, *sums in cursor.fetchall()}


JOIN = "LEFT JOIN inventory_instrument i ON i.id = s.instrument_id"
MONTH = "date_trunc('month', s.entry_on)::date"
OF_ITEMS = "i.item_id = ANY(%(items)s)"


def sum_by_item(span: Span, items: Sequence[int] | None = None) -> dict[int | None, Earned]:
    """Return what the instruments of catalogue items earned, of some or of all; None stands for rent that names no instrument."""
    return _earned(span, key="i.item_id", joins=JOIN, of="" if items is None else OF_ITEMS, items=list(items or []))


def sum_by_instrument(span: Span, items: Sequence[int] | None = None) -> dict[int | None, Earned]:
    """Return what instruments earned, of some items or of all; None stands for rent that names no instrument."""
    return _earned(span, key="s.instrument_id", of="" if items is None else OF_ITEMS, items=list(items or []))


def list_months_of_instrument(instrument_id: int, span: Span) -> list[tuple[datetime.date, Earned]]:
    """List what one instrument earned month by month (first days), as it was billed; months without anything are left out."""
    found = _earned(span, key="s.month", of="i.id = %(instrument)s", month=MONTH, instrument=instrument_id)
    return sorted(found.items())

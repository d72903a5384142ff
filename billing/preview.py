"""A look at a billing run before it is started: what it would bill, whom it would leave out, and the oddest bills. Reads only."""

import datetime
from dataclasses import dataclass, fields
from decimal import Decimal

from django.db import connection, transaction

from billing import due

ODDEST = 10
ROOM = "SET LOCAL work_mem = '64MB'"

# One row for each of the oddest bills, all with the same totals before it; one at least.
LOOK = f"""
WITH {due.steps(due.ALL_DUE)}, judged AS ({due.JUDGED}), {due.DUE}, bills AS (
    SELECT agreement_id, household_id, number, count(*) AS periods, max(note) AS note, sum(total) AS amount
      FROM due GROUP BY agreement_id, household_id, number
), compared AS (
    SELECT b.*, (SELECT sum(l.amount) FROM billing_chargeline l WHERE l.charge_id = (
               SELECT c.id FROM billing_charge c
                WHERE c.agreement_id = b.agreement_id AND c.kind = 'rent' AND c.void_entry_id IS NULL
                ORDER BY c.period DESC LIMIT 1)) AS last_amount
      FROM bills b
), oddest AS (
    SELECT b.agreement_id, b.number, h.id, h.name, b.periods, b.note, b.last_amount, b.amount
      FROM compared b JOIN families_household h ON h.id = b.household_id
     WHERE b.amount <> b.last_amount ORDER BY abs(b.amount - b.last_amount) DESC, b.agreement_id LIMIT {ODDEST}
), totals AS (
    SELECT d.*, o.open_agreements, o.open_agreements - j.not_started - j.on_hold - j.recalled - d.agreements AS up_to_date, j.*
      FROM (SELECT count(*) AS charges, count(DISTINCT agreement_id) AS agreements, coalesce(sum(rent), 0) AS rent,
                   coalesce(sum(protection), 0) AS protection, coalesce(sum(rent_tax + protection_tax), 0) AS tax FROM due) d,
           (SELECT count(*) AS open_agreements FROM opened) o,
           (SELECT count(*) FILTER (WHERE word = 'not_started') AS not_started,
                   count(*) FILTER (WHERE word = 'on_hold') AS on_hold,
                   count(*) FILTER (WHERE word = 'recalled') AS recalled FROM judged) j
)
SELECT t.*, o.* FROM totals t LEFT JOIN oddest o ON true ORDER BY abs(o.amount - o.last_amount) DESC, o.agreement_id
"""  # noqa: S608 - no part of it comes from outside


@dataclass(frozen=True)
class OddBill:
    """What an agreement would be billed, tax included, beside its last bill."""

    agreement_id: int
    number: str
    household_id: int
    household: str
    periods: int
    note: str
    last_amount: Decimal
    amount: Decimal

    @property
    def change(self) -> Decimal:
        """How much more it is; less is negative."""
        return self.amount - self.last_amount

    @property
    def reason(self) -> str:
        """Why it may be, where the terms say so."""
        if self.periods > 1:
            return f"{self.periods} periods at once"
        return self.note.removeprefix(", ")


@dataclass(frozen=True)
class Preview:
    """What a run through a day would do now. Amounts are in the office's currency, `rent` and `protection` before tax."""

    charges: int
    agreements: int
    rent: Decimal
    protection: Decimal
    tax: Decimal
    open_agreements: int
    up_to_date: int
    not_started: int
    on_hold: int
    recalled: int
    oddest: tuple[OddBill, ...]

    @property
    def total(self) -> Decimal:
        """Everything that would be billed."""
        return self.rent + self.protection + self.tax


@transaction.atomic
def get_preview(through_on: datetime.date) -> Preview:
    """Return what a run through a day (inclusive) would bill now, and the ten bills that differ most from the last one."""
    names = [field.name for field in fields(Preview)][:-1]
    with connection.cursor() as cursor:
        cursor.execute(ROOM)
        cursor.execute(LOOK, {"through": through_on})
        rows = cursor.fetchall()
    oddest = tuple(OddBill(*row[len(names) :]) for row in rows if row[len(names)] is not None)
    return Preview(**dict(zip(names, rows[0], strict=False)), oddest=oddest)

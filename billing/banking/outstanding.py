"""What stands in the books at the bank and on no line of the bank's yet: deposits, transfers, returns, refunds, other entries."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection

from billing import banks
from rentals.runtime.templatetags.office import day as written_day

# Entries that were undone, what undid them, and what a match made and took back again are not waiting for the bank. Money that
# moves between two accounts of the shop waits at each of them.
OUTSTANDING = """
    SELECT e.id, part.account_id, e.entry_on, part.amount, e.memo, d.id AS deposit, d.number AS deposit_number,
           d.kind AS deposit_kind,
           p.id AS payment, p.number AS payment_number, r.id AS return, rp.number AS returned_number,
           f.method || ' ' || f.cheque_number AS refund,
           h.id AS household, h.number AS household_number, h.name AS household_name
      FROM (SELECT entry_id, account_id, sum(amount) AS amount FROM billing_posting WHERE account_id = ANY(%(books)s)
             GROUP BY entry_id, account_id HAVING sum(amount) <> 0) part
      JOIN billing_journalentry e ON e.id = part.entry_id
      LEFT JOIN billing_deposit d ON d.entry_id = e.id
      LEFT JOIN billing_payment p ON p.entry_id = e.id
      LEFT JOIN billing_paymentreturn r ON r.entry_id = e.id
      LEFT JOIN billing_payment rp ON rp.id = r.payment_id
      LEFT JOIN billing_charge fc ON fc.entry_id = e.id AND fc.kind = 'refund'
      LEFT JOIN billing_refund f ON f.charge_id = fc.id
      LEFT JOIN families_household h ON h.id = coalesce(p.household_id, rp.household_id, fc.household_id)
     WHERE e.reverses_id IS NULL AND e.source NOT LIKE 'bank-opening/%%'
       AND NOT EXISTS (SELECT FROM billing_journalentry x
                        WHERE x.reverses_id = e.id AND x.entry_on <= coalesce(%(undone_by)s::date, 'infinity'))
       AND NOT EXISTS (SELECT FROM billing_bankmatch m WHERE m.undone_at IS NULL AND m.books_id = part.account_id
                          AND (m.entry_id = e.id OR m.deposit_id = d.id OR m.payment_id = p.id))
       AND NOT EXISTS (SELECT FROM billing_bankmatch m JOIN billing_journalentry x ON x.id = m.undo_entry_id
                        WHERE x.entry_on <= coalesce(%(undone_by)s::date, 'infinity')
                          AND (m.undo_entry_id = e.id OR m.payment_id = p.id OR m.entry_id = e.id))
"""


@dataclass(frozen=True)
class Outstanding:
    """One entry of the books that waits for its line at one account of the bank.

    `books`: that account in the ledger. `amount`: what the entry moved there, money in positive.
    """

    entry_id: int
    books: str
    on: datetime.date
    amount: Decimal
    kind: str  # deposit, payment, return, refund, other
    number: str
    memo: str
    deposit_id: int | None
    payment_id: int | None
    household_id: int | None
    household_number: str
    household_name: str
    deposit_kind: str = ""

    @property
    def title(self) -> str:
        """What it is, in the fewest words."""
        if self.kind == "deposit":
            return f"Deposit {self.number}"
        family = f"{self.household_name} {self.household_number}"
        if self.kind == "payment":
            return f"Transfer {self.number}, {family}"
        if self.kind == "return":
            return f"Return of {self.number}, {family}"
        if self.kind == "refund":
            return f"Refund, {self.number}, {family}"
        return self.memo

    @property
    def made(self) -> str:
        """When, in words."""
        verb = {"deposit": "deposited", "payment": "received", "return": "returned", "refund": "paid back"}.get(
            self.kind, "posted"
        )
        return f"{verb} {written_day(self.on, 'short')}"


def list_outstanding(
    *,
    books: Sequence[str] | None = None,
    begins_on: datetime.date | None = None,
    through_on: datetime.date | None = None,
    entry_ids: Sequence[int] | None = None,
    undone_by: datetime.date | None = None,
) -> list[Outstanding]:
    """List what waits for its line at these accounts, else at all, oldest first; days included. One query, or two.

    `undone_by`: what was undone after that day counts as it stood then, not undone.
    """
    wanted = list(banks.list_books() if books is None else books)
    where = [OUTSTANDING]
    days = {"begins": begins_on, "through": through_on, "undone_by": undone_by}
    given = {"books": wanted, "ids": list(entry_ids or []), **days}
    where += ["AND e.entry_on >= %(begins)s"] if begins_on else []
    where += ["AND e.entry_on <= %(through)s"] if through_on else []
    where += ["AND e.id = ANY(%(ids)s)"] if entry_ids is not None else []
    with connection.cursor() as cursor:
        cursor.execute(" ".join([*where, "ORDER BY e.entry_on, e.id, part.account_id"]), given)
        return [_row(*row) for row in cursor.fetchall()]


def _row(  # noqa: PLR0917 - the columns of OUTSTANDING
    entry_id: int,
    books: str,
    on: datetime.date,
    amount: Decimal,
    memo: str,
    deposit_id: int | None,
    deposit_number: str | None,
    deposit_kind: str | None,
    payment_id: int | None,
    payment_number: str | None,
    return_id: int | None,
    returned_number: str | None,
    refund: str | None,
    household_id: int | None,
    household_number: str | None,
    household_name: str | None,
) -> Outstanding:
    kind = "deposit" if deposit_id else "payment" if payment_id else "return" if return_id else "refund" if refund else "other"
    method, _, cheque_number = (refund or "").partition(" ")
    paid_back = f"check {cheque_number}" if cheque_number else method
    return Outstanding(
        entry_id=entry_id,
        books=books,
        on=on,
        amount=amount,
        kind=kind,
        number=deposit_number or payment_number or returned_number or paid_back,
        memo=memo,
        deposit_id=deposit_id,
        payment_id=payment_id,
        household_id=household_id,
        household_number=household_number or "",
        household_name=household_name or "",
        deposit_kind=deposit_kind or "",
    )

"""Late fees: one per overdue rent charge after the plan's days of grace, never on fees, never interest; by default none.

Many states limit late fees on rental-purchase agreements: the amount, the days before it, and how often. State law decides,
and the agreement that was signed must say the fee.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection, transaction

from billing import charges, ledger
from billing.models import Charge
from rentals.agreements.models import Agreement
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User


def late_fee(*, late_amount: Decimal, days_late: int, grace_days: int, fee: Decimal) -> Decimal:
    """Return the fee on one overdue charge: the plan's fee once more than the days of grace have passed, else nothing.

    Never more than what is late, so that a few forgotten cents do not cost a family five dollars (common practice, no source).

    >>> [str(late_fee(late_amount=Decimal("32.48"), days_late=n, grace_days=7, fee=Decimal("5.00"))) for n in (7, 8)]
    ['0.00', '5.00']
    """
    return min(fee, late_amount) if days_late > grace_days else ZERO


# Rent that is overdue past its grace and never had a late fee, not even one that was taken back; nobody on hold or recalled.
OVERDUE_RENT = """
SELECT c.id, c.household_id, h.number, h.name, a.id, a.number, c.due_on, c.open, v.grace_days, v.late_fee
  FROM (SELECT c.id, c.household_id, c.agreement_id, c.due_on,
               sum(l.amount) - coalesce(sum((SELECT sum(x.amount) FROM billing_allocation x
                                              WHERE x.line_id = l.id AND x.released_at IS NULL)), 0) AS open
          FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
         WHERE c.kind = 'rent' AND c.void_entry_id IS NULL AND c.due_on < %(today)s
           AND (%(charges)s::bigint[] IS NULL OR c.id = ANY(%(charges)s::bigint[]))
         GROUP BY c.id) c
  JOIN agreements_agreement a ON a.id = c.agreement_id
  JOIN agreements_planversion v ON v.id = a.plan_version_id
  JOIN families_household h ON h.id = c.household_id
 WHERE c.open > 0 AND v.late_fee > 0 AND %(today)s::date - c.due_on > v.grace_days
   AND NOT EXISTS (SELECT FROM billing_charge f WHERE f.late_for_id = c.id)
   AND NOT EXISTS (SELECT FROM agreements_agreementhold k JOIN agreements_agreement b ON b.id = k.agreement_id
                    WHERE b.household_id = c.household_id AND b.ended_on IS NULL AND k.until_on IS NULL)
 ORDER BY c.due_on, c.id
"""


@dataclass(frozen=True)
class LateFeeDue:
    """A fee that is due today: for which overdue rent, how late, how much."""

    charge_id: int
    household_id: int
    household_number: str
    household_name: str
    agreement_id: int
    agreement_number: str
    due_on: datetime.date
    days_late: int
    late_amount: Decimal
    fee: Decimal


def list_late_fees_due(*, today: datetime.date, charge_ids: Sequence[int] | None = None) -> list[LateFeeDue]:
    """List the late fees that are due, the oldest rent first; of these charges or of all. One query."""
    with connection.cursor() as cursor:
        cursor.execute(OVERDUE_RENT, {"today": today, "charges": None if charge_ids is None else list(charge_ids)})
        rows = cursor.fetchall()
    due = []
    for key, household_id, number, name, agreement_id, agreement_number, due_on, late, grace_days, plan_fee in rows:
        days = (today - due_on).days
        fee = late_fee(late_amount=late, days_late=days, grace_days=grace_days, fee=plan_fee)
        due.append(LateFeeDue(key, household_id, number, name, agreement_id, agreement_number, due_on, days, late, fee))
    return due


def charge_late_fees(*, today: datetime.date, now: datetime.datetime, acting_user: User) -> int:
    """Charge every late fee that is due, each in a transaction of its own, and return how many.

    Outermost. May be stopped, repeated, or run twice at once: a charge has one late fee, and a family that has paid in the
    meantime none.
    """
    made = 0
    for due in list_late_fees_due(today=today):
        made += charge_late_fee(due=due, today=today, acting_user=acting_user, now=now) is not None
    return made


@transaction.atomic
def charge_late_fee(*, due: LateFeeDue, today: datetime.date, acting_user: User, now: datetime.datetime) -> Charge | None:
    """Charge one fee if it is still due once the household is locked; None when it is not. Outermost."""
    household = lock_one(Household.objects.filter(pk=due.household_id))
    for still_due in list_late_fees_due(today=today, charge_ids=[due.charge_id]):
        return charges.charge_fee(
            household=household,
            on=ledger.open_day(today),
            description=f"Late fee, rent due {written_day(still_due.due_on)}",
            amount=still_due.fee,
            acting_user=acting_user,
            now=now,
            agreement=Agreement.objects.get(pk=still_due.agreement_id),
            late_for=Charge.objects.get(pk=still_due.charge_id),
        )
    return None

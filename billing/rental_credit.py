"""Rental credit: what the rent paid along a chain of agreements counts for, what is left of it, and what proved unpaid later.

Derived from allocations in force every time it is asked for. Which agreements make a chain says the function
`billing_credit_chain` of the database, for Python and the database's own guards alike.
"""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection
from django.db.models import QuerySet

from rentals.agreements import rules
from rentals.agreements.models import Agreement
from rentals.runtime.money import ZERO


@dataclass(frozen=True)
class RentalCredit:
    """What the rent paid along an agreement's chain counts for.

    `earned` is what it came to, `used` what a purchase took of it, `credit` what is left for the instrument in hand and
    `step_up_credit` for a better one. `lives_until` is the last day it waits after a return; None while it does not wait.
    """

    agreement_id: int
    rent_paid: Decimal
    credit: Decimal
    step_up_credit: Decimal
    earned: Decimal = ZERO
    used: Decimal = ZERO
    short: Decimal = ZERO
    lives_until: datetime.date | None = None


CHAIN_RENT = """
SELECT a.id, billing_chain_rent_paid(a.id), p.credit_used,
       p.credit_used - billing_credit_earned(a.id, p.kind, p.price),
       EXISTS (SELECT FROM agreements_agreement f WHERE f.follows_id = a.id)
  FROM unnest(%(agreements)s::bigint[]) AS a(id) LEFT JOIN billing_purchase p ON p.agreement_id = a.id
"""


def sum_rental_credits(agreements: QuerySet[Agreement], *, on: datetime.date | None = None) -> dict[int, RentalCredit]:
    """Return the credit of each agreement: rent paid along its chain, times the plan's shares, at most its price.

    Along exchanges, size-ups and transfers always, along a reinstatement only when it came in time. What a purchase used, what
    went on to the next agreement, and what waited too long after a return (seen from the day `on`) is not left any more.
    Derived from allocations in force, so that a returned payment takes its credit with it.
    """
    rows = {row.pk: row for row in agreements.select_related("plan_version")}
    with connection.cursor() as cursor:
        cursor.execute(CHAIN_RENT, {"agreements": list(rows)})
        found = {key: (rent, used or ZERO, short or ZERO, followed) for key, rent, used, short, followed in cursor.fetchall()}
    return {key: _credit_of(row, *found[key], on=on) for key, row in rows.items()}


def _credit_of(
    row: Agreement, rent: Decimal, used: Decimal, short: Decimal, is_followed: bool, *, on: datetime.date | None
) -> RentalCredit:
    version, price = row.plan_version, row.purchase_price.amount
    earned = rules.rent_credit(rent, version.credit_share, price * version.credit_cap)
    step_up = rules.rent_credit(rent, version.step_up_share, price)
    sleeps = row.end_reason in rules.SLEEPS and not is_followed and row.ended_on is not None
    lives_until = rules.credit_lives_until(row.ended_on, version.credit_lives_months) if sleeps and row.ended_on else None
    ended = "gone on" if is_followed else row.end_reason
    return RentalCredit(
        agreement_id=row.pk,
        rent_paid=rent,
        credit=rules.credit_left(earned, ended, lives_until, on),
        step_up_credit=rules.credit_left(step_up, ended, lives_until, on),
        earned=earned,
        used=used,
        short=max(short, ZERO),
        lives_until=lives_until,
    )


def sum_rental_credit(agreement_id: int, *, on: datetime.date | None = None) -> RentalCredit:
    """Return one agreement's rental credit. Raises Agreement.DoesNotExist."""
    credits = sum_rental_credits(Agreement.objects.filter(pk=agreement_id), on=on)
    if agreement_id not in credits:
        raise Agreement.DoesNotExist
    return credits[agreement_id]


@dataclass(frozen=True)
class CreditShortfall:
    """A purchase made on credit that later proved unpaid: what it used, what is earned now, and how much is missing."""

    purchase_id: int
    agreement_id: int
    agreement_number: str
    household_id: int
    household_number: str
    household_name: str
    bought_on: datetime.date
    used: Decimal
    earned: Decimal

    @property
    def short(self) -> Decimal:
        """What the family got credit for and did not pay."""
        return rules.credit_short(self.used, self.earned)


SHORTFALLS = """
SELECT p.id, a.id AS agreement, a.number AS agreement_number, h.id AS household, h.number, h.name,
       p.bought_on, p.credit_used, e.earned
  FROM billing_purchase p JOIN agreements_agreement a ON a.id = p.agreement_id JOIN families_household h ON h.id = a.household_id
 CROSS JOIN LATERAL (SELECT billing_credit_earned(a.id, p.kind, p.price) AS earned) e
 WHERE p.credit_used > e.earned
"""


def list_credit_shortfalls(household_id: int | None = None) -> list[CreditShortfall]:
    """List the purchases whose credit proved unpaid after all, the largest amount first; of one household or of all."""
    which = "" if household_id is None else "AND h.id = %(household)s"
    with connection.cursor() as cursor:
        cursor.execute(f"{SHORTFALLS} {which} ORDER BY p.credit_used - e.earned DESC, p.id", {"household": household_id})
        return [CreditShortfall(*row) for row in cursor.fetchall()]

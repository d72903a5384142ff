"""Debts that may be written off now: whole accounts of families that rent nothing, and agreements recalled or ended."""

import datetime
from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection

from billing.collecting import queries
from rentals.agreements import moves
from rentals.agreements.moves import Move, State

# One row a debt: "h12" is the account of household 12, "a34" what agreement 34 owes of a family that still rents another.
DEBTS = """
WITH owed AS (
    SELECT o.household_id, c.agreement_id, min(o.due_on) AS since, sum(o.open) AS amount,
           coalesce(sum(o.open) FILTER (WHERE o.due_on >= %(today)s), 0.00) AS not_due,
           min(min(o.due_on)) OVER (PARTITION BY o.household_id) AS episode_on
      FROM billing_openitem o JOIN billing_charge c ON c.id = o.charge_id GROUP BY o.household_id, c.agreement_id),
renting AS (SELECT DISTINCT household_id FROM agreements_agreement
             WHERE ended_on IS NULL AND household_id IN (SELECT household_id FROM owed)),
debts AS (
    SELECT 'h' || o.household_id AS code, o.household_id, NULL::bigint AS agreement_id, min(o.since) AS since,
           sum(o.amount) AS amount, sum(o.not_due) AS not_due, min(o.episode_on) AS episode_on
      FROM owed o WHERE NOT EXISTS (SELECT FROM renting r WHERE r.household_id = o.household_id) GROUP BY o.household_id
    UNION ALL
    SELECT 'a' || a.id, o.household_id, a.id, o.since, o.amount, o.not_due, o.episode_on
      FROM owed o JOIN renting r ON r.household_id = o.household_id JOIN agreements_agreement a ON a.id = o.agreement_id
     WHERE a.end_reason = ANY(%(ended)s) OR EXISTS (
           SELECT FROM agreements_agreementhold d WHERE d.agreement_id = a.id AND d.until_on IS NULL AND d.kind = 'recall'
              AND a.ended_on IS NULL))
SELECT d.code, d.household_id, h.number, h.name, d.agreement_id, coalesce(a.number, ''), coalesce(a.end_reason, ''),
       d.since, d.amount, d.not_due,
       (SELECT max(p.received_on) FROM billing_payment p WHERE p.household_id = d.household_id
           AND NOT EXISTS (SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id)),
       coalesce(taken.step, 0), coalesce(taken.step_count, 0)
  FROM debts d JOIN families_household h ON h.id = d.household_id LEFT JOIN agreements_agreement a ON a.id = d.agreement_id
  LEFT JOIN LATERAL (
       SELECT n.step, v.step_count FROM billing_overduenotice n JOIN billing_overduestep s ON s.id = n.rule_id
         JOIN billing_stepsversion v ON v.id = s.version_id
        WHERE n.household_id = d.household_id AND n.episode_on = d.episode_on ORDER BY n.step DESC LIMIT 1) taken ON true
 WHERE d.since < %(today)s
 ORDER BY d.since, h.id, d.code
"""
IN_SCHOOL = """
SELECT DISTINCT s.household_id FROM families_student s JOIN schools_programme p ON p.id = s.programme_id
 WHERE p.school_id = %s AND s.household_id = ANY(%s)
"""


@dataclass(frozen=True)
class Debt:
    """Something to write off as a whole: whose, of which agreement (None: the account), how old, how much, what was tried."""

    code: str
    household_id: int
    number: str
    name: str
    agreement_id: int | None
    agreement_number: str
    end_reason: str
    since: datetime.date
    amount: Decimal
    not_due: Decimal
    last_paid_on: datetime.date | None
    steps_taken: int
    step_count: int

    @property
    def what(self) -> str:
        """What is written off, and what becomes of an agreement that is only recalled."""
        if self.agreement_id is None:
            return "The whole account; the family rents nothing"
        if not self.end_reason:
            return f"Agreement {self.agreement_number}, recalled: it ends, and its instrument counts as lost"
        return f"Agreement {self.agreement_number}, {State(self.end_reason).replace('_', ' ')}"

    @property
    def steps(self) -> str:
        """How far the reminding is."""
        if not self.steps_taken:
            return "No step taken"
        return "Every step taken" if self.steps_taken >= self.step_count else f"{self.steps_taken} of {self.step_count} steps"

    def days_late(self, today: datetime.date) -> int:
        """Days since the oldest part of it was due."""
        return (today - self.since).days


@dataclass(frozen=True)
class Debts:
    """What may be written off, the oldest first, and how many families were left out because a promise or plan of theirs runs."""

    rows: list[Debt]
    paused: int


def list_debts(*, today: datetime.date) -> Debts:
    """List what may be written off today, in four queries at most: past due, allowed by its state, no promise or plan running."""
    ended = [state.value for state in moves.TABLE[Move.WRITE_OFF] - moves.OPEN]
    with connection.cursor() as cursor:
        cursor.execute(DEBTS, {"today": today, "ended": ended})
        rows = [Debt(*row) for row in cursor.fetchall()]
    paused = queries.list_paused({row.household_id for row in rows}, today=today)
    return Debts([row for row in rows if row.household_id not in paused], len(paused))


def list_in_school(household_ids: Collection[int], school_id: int) -> set[int]:
    """Return those of these families that have a student at a school."""
    with connection.cursor() as cursor:
        cursor.execute(IN_SCHOOL, [school_id, list(household_ids)])
        return {row[0] for row in cursor.fetchall()}

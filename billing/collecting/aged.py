"""What families owe by age, a row for each family, school or specialist: every cent of the control account stands in one row.

An amount goes where its charge's agreement goes: to the school where that student plays now, and to the person who took that
agreement's signature. What belongs to no agreement (a fee, money on account) goes with the agreement the family signed last.
"""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, NamedTuple

from django.db import connection

from billing import chart, reports
from billing.closing.reports.table import Tie
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written

# What is unpaid now, and what is on account: kept by triggers, and read from payments and credit notes.
NOW = """
owed AS (
    SELECT o.household_id, c.agreement_id, o.due_on, o.open AS amount, 0.00 AS credit
      FROM billing_openitem o JOIN billing_charge c ON c.id = o.charge_id
    UNION ALL
    SELECT household_id, NULL, NULL, 0.00, credit
      FROM unnest(%(in_credit)s::bigint[], %(credits)s::numeric[]) x (household_id, credit))
"""

# What was unpaid at the end of an earlier day, by the ledger: what a family owed then are its newest charges of that day.
# Families whose balance was nothing need no look at their charges.
THEN = """
balance AS (
    SELECT p.household_id, sum(p.amount) AS balance FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
     WHERE p.account_id = %(receivables)s AND e.entry_on <= %(on)s GROUP BY p.household_id HAVING sum(p.amount) <> 0),
charged AS (
    SELECT c.id, c.household_id, c.agreement_id, c.due_on, b.balance, sum(l.amount) AS amount
      FROM balance b JOIN billing_charge c ON c.household_id = b.household_id
      JOIN billing_journalentry e ON e.id = c.entry_id JOIN billing_chargeline l ON l.charge_id = c.id
      LEFT JOIN billing_journalentry v ON v.id = c.void_entry_id
     WHERE b.balance > 0 AND e.entry_on <= %(on)s AND (v.id IS NULL OR v.entry_on > %(on)s) GROUP BY c.id, b.balance),
newest AS (
    SELECT *, coalesce(sum(amount) OVER (PARTITION BY household_id ORDER BY due_on DESC, id DESC
                                         ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS after FROM charged),
owed AS (
    SELECT household_id, agreement_id, due_on, least(amount, balance - after) AS amount, 0.00 AS credit
      FROM newest WHERE after < balance
    UNION ALL
    SELECT household_id, NULL, NULL, 0.00, -balance FROM balance WHERE balance < 0)
"""

FIGURES = """
count(DISTINCT o.household_id), min(o.due_on) FILTER (WHERE o.due_on < %(on)s),
       coalesce(sum(o.amount) FILTER (WHERE o.due_on < %(on)s AND o.due_on >= %(on)s::date - 30), 0.00),
       coalesce(sum(o.amount) FILTER (WHERE o.due_on < %(on)s::date - 30 AND o.due_on >= %(on)s::date - 60), 0.00),
       coalesce(sum(o.amount) FILTER (WHERE o.due_on < %(on)s::date - 60 AND o.due_on >= %(on)s::date - 90), 0.00),
       coalesce(sum(o.amount) FILTER (WHERE o.due_on < %(on)s::date - 90), 0.00),
       coalesce(sum(o.amount) FILTER (WHERE o.due_on >= %(on)s), 0.00), coalesce(sum(o.credit), 0.00)
"""
# The rows, all of them together, and the whole without any filter.
AGED = """
WITH {owed},
newest_signed AS (
    SELECT DISTINCT ON (household_id) household_id, id FROM agreements_agreement
     WHERE household_id IN (SELECT household_id FROM owed) ORDER BY household_id, signed_at DESC, id DESC)
SELECT CASE WHEN grouping({key}) = 0 THEN 'row' ELSE 'total' END, {key}, {name}, {number}, {figures}
  FROM owed o JOIN families_household h ON h.id = o.household_id
  LEFT JOIN newest_signed n ON n.household_id = o.household_id
  LEFT JOIN agreements_agreement a ON a.id = coalesce(o.agreement_id, n.id)
  LEFT JOIN families_student s ON s.id = a.student_id LEFT JOIN schools_programme r ON r.id = s.programme_id
  LEFT JOIN schools_school sc ON sc.id = r.school_id LEFT JOIN staff_user u ON u.id = a.signed_by_id
 WHERE (NOT %(only_late)s OR o.due_on < %(on)s)
   AND (%(school)s = -1 OR coalesce(sc.id, 0) = %(school)s) AND (%(specialist)s = -1 OR coalesce(u.id, 0) = %(specialist)s)
   AND (%(text)s = '' OR strpos(plain(h.name), plain(%(text)s)) > 0 OR strpos(lower(h.number), lower(%(text)s)) > 0)
 GROUP BY GROUPING SETS (({key}, {name}, {number}), ())
 UNION ALL
SELECT 'whole', NULL, '', '', {figures} FROM owed o
"""


class By(StrEnum):
    """What a row stands for."""

    FAMILY = "family"
    SCHOOL = "school"
    SPECIALIST = "specialist"


COLUMNS = {
    By.FAMILY: {"key": "h.id", "name": "h.name", "number": "h.number"},
    By.SCHOOL: {"key": "sc.id", "name": "sc.name", "number": "''::text"},
    By.SPECIALIST: {"key": "u.id", "name": "u.name", "number": "''::text"},
}
NOBODY = {By.FAMILY: "", By.SCHOOL: "No school", By.SPECIALIST: "No agreement"}
ANY, NONE = -1, 0
"""Instead of a school's or a person's key: all of them, and what belongs to none."""


@dataclass(frozen=True)
class Wanted:
    """Which rows: grouped by what, as of which day, only what is past due or all, of whom, and in which order."""

    on: datetime.date
    by: By = By.FAMILY
    only_late: bool = True
    school: int = ANY
    specialist: int = ANY
    text: str = ""
    sort: str = ""

    @property
    def is_narrowed(self) -> bool:
        """Whether some rows are left out."""
        return self.school != ANY or self.specialist != ANY or bool(self.text)

    @property
    def order(self) -> str:
        """The order in force: families by how long, groups by how much, unless another is asked for."""
        return self.sort or ("since" if self.by == By.FAMILY else "-past_due")


class Aged(NamedTuple):
    """One row: how many families, since when, what is past due by its age in days, what is not due yet, what is on account.

    `key` is None where it stands for no school or nobody.
    """

    key: int | None
    name: str
    number: str
    families: int
    since: datetime.date | None
    to_30: Decimal
    to_60: Decimal
    to_90: Decimal
    older: Decimal
    not_due: Decimal
    on_account: Decimal

    @property
    def past_due(self) -> Decimal:
        """Everything due before the day."""
        return self.to_30 + self.to_60 + self.to_90 + self.older

    @property
    def balance(self) -> Decimal:
        """What stands on the control account for this row."""
        return self.past_due + self.not_due - self.on_account


NOTHING = Aged(None, "", "", 0, None, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO)
SORTS = ("name", "families", "since", "to_30", "to_60", "to_90", "older", "past_due", "not_due", "on_account", "balance")


@dataclass(frozen=True)
class Aging:
    """The rows in their order, all of them together (a family counted once), and the ledger's figure beside the whole."""

    rows: list[Aged]
    total: Aged
    tie: Tie


def list_aged(wanted: Wanted, *, today: datetime.date) -> Aging:
    """Return what is owed by age, in four queries whatever the data.

    From today on it is what is unpaid now, aged as of that day as if nothing more were paid; of an earlier day it is what the
    ledger says was owed at its end, payments set against the oldest charges first.
    """
    then = wanted.on if wanted.on < today else None
    given: dict[str, Any] = {
        "on": wanted.on,
        "receivables": chart.RECEIVABLES,
        "only_late": wanted.only_late,
        "school": wanted.school,
        "specialist": wanted.specialist,
        "text": wanted.text,
        **({} if then else _on_account(today)),
    }
    rows, sums = [], {"total": NOTHING, "whole": NOTHING}
    with connection.cursor() as cursor:
        cursor.execute(AGED.format(owed=THEN if then else NOW, figures=FIGURES, **COLUMNS[wanted.by]), given)
        for what, key, name, number, *figures in cursor.fetchall():
            if what == "row":
                rows.append(Aged(key, name or NOBODY[wanted.by], number, *figures))
            else:
                sums[what] = Aged(None, "", "", *figures)
    whole, control = sums["whole"], reports.split_receivables(then).control
    return Aging(_sorted(rows, wanted.order), sums["total"], Tie(_tie_words(whole), whole.balance, control))


def _on_account(today: datetime.date) -> dict[str, list[Any]]:
    found = reports.list_credit_balances(today=today)
    return {"in_credit": [row.household_id for row in found], "credits": [row.amount for row in found]}


def _sorted(rows: list[Aged], order: str) -> list[Aged]:
    """Put rows in order; ties by name, then key, whichever way the column goes. Who is not late stands last by date."""
    name, down = order.lstrip("-"), order.startswith("-")
    rows = sorted(rows, key=lambda row: (row.name.casefold(), row.key or 0))
    if name == "since":
        return sorted(rows, key=lambda row: (row.since is None, _days(row, down=down)))
    if name == "name":
        return rows[::-1] if down else rows
    return sorted(rows, key=lambda row: getattr(row, name), reverse=down)


def _days(row: Aged, *, down: bool) -> int:
    since = row.since.toordinal() if row.since else 0
    return -since if down else since


def _tie_words(whole: Aged) -> str:
    return (
        f"All families: {written(whole.past_due)} past due, {written(whole.not_due)} not due yet, "
        f"{written(whole.on_account)} on account taken off, beside account {chart.RECEIVABLES}"
    )

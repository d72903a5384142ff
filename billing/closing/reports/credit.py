"""Rental credit outstanding: what families could call on toward buying an instrument, by plan."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection
from django.utils import timezone

from billing import chart
from billing.closing.reports.balances import list_balances
from billing.closing.reports.table import Caution, Column, Report, Tie, columns, money, whole_rows
from billing.closing.span import Month
from rentals.agreements import rules
from rentals.runtime.money import ZERO

# Agreements that ran at the end of the day, or waited to be taken up again, with the rent paid along each one's chain by then.
STANDING = """
SELECT v.title, v.credit_share, v.step_up_share, v.credit_cap, a.purchase_price,
       (SELECT coalesce(sum(al.amount), 0) FROM billing_credit_chain(a.id) k JOIN billing_charge c ON c.agreement_id = k.link
          JOIN billing_chargeline l ON l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax
          JOIN billing_allocation al ON al.line_id = l.id AND al.payment_id IS NOT NULL
         WHERE al.made_at < %(moment)s AND (al.released_at IS NULL OR al.released_at >= %(moment)s))
  FROM agreements_agreement a JOIN agreements_planversion v ON v.id = a.plan_version_id
 WHERE a.signed_at < %(moment)s AND (a.ended_on IS NULL OR a.ended_on > %(on)s OR (
       a.end_reason = ANY(%(sleeps)s) AND billing_credit_lives_until(a.ended_on, v.credit_lives_months) >= %(on)s
       AND NOT EXISTS (SELECT FROM agreements_agreement f WHERE f.follows_id = a.id AND f.signed_at < %(moment)s)))
"""
RENT = """
SELECT coalesce(sum(l.amount), 0) FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id
  JOIN billing_chargeline l ON l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax
  LEFT JOIN billing_journalentry b ON b.id = c.void_entry_id
 WHERE e.entry_on <= %(on)s AND (b.id IS NULL OR b.entry_on > %(on)s)
"""


@dataclass
class _Plan:
    """What the agreements under one plan come to."""

    count: int = 0
    rent: Decimal = ZERO
    own: Decimal = ZERO
    step_up: Decimal = ZERO


def credit(month: Month) -> Report:
    """Add up by plan what the rent paid by the end of the month counts for, by the same rule as a purchase would."""
    moment = timezone.make_aware(datetime.datetime.combine(month.ends_before, datetime.time()))
    given: dict[str, datetime.date | list[str]] = {"moment": moment, "on": month.last_day, "sleeps": list(rules.SLEEPS)}
    plans: dict[str, _Plan] = {}
    with connection.cursor() as cursor:
        cursor.execute(STANDING, given)
        for title, share, step_up_share, cap, price, rent in cursor.fetchall():
            plan = plans.setdefault(title, _Plan())
            plan.count += 1
            plan.rent += rent
            plan.own += rules.rent_credit(rent, share, price * cap)
            plan.step_up += rules.rent_credit(rent, step_up_share, price)
        cursor.execute(RENT, given)
        billed = cursor.fetchone()[0]
    rows = [(title, each.count, each.rent, each.own, each.step_up) for title, each in sorted(plans.items())]
    return Report(
        code="rental-credit",
        title="Rental credit outstanding",
        month=month,
        columns=(
            *columns("Plan", Column("Agreements", "count")),
            *money("Rent paid", "Toward the instrument in hand", "Or toward a better one"),
        ),
        rows=whole_rows(rows),
        ties=(
            Tie(
                f"All rent billed by then, what was taken back left out, beside account {chart.RENT}",
                billed,
                -list_balances(month.last_day).get(chart.RENT, ZERO),
            ),
        ),
        notes=(
            "A family can use one of the two, never both. Rent counts once it is paid; a credit is capped by its agreement.",
            "Agreements that were returned count as long as their credit waits to be taken up again.",
        ),
        caution=Caution(
            "law",
            "This is not a liability by itself: whether part of it is set aside in the books is for the accountant to decide.",
        ),
    )

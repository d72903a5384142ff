"""The invariants of the house, each as one named check over live data. A check returns its breaches, one sentence each.

Those of entries, guards and closed months stand here, the others beside it, one module a subject.
"""

from billing import (
    verify_autopay,
    verify_bank,
    verify_cards,
    verify_charges,
    verify_closing,
    verify_collecting,
    verify_credits,
    verify_fleet,
    verify_nights,
    verify_papers,
    verify_purchases,
    verify_references,
    verify_repairs,
    verify_taking,
)
from billing.checking import CHECKS, Check, check, told

__all__ = ["BEFORE_CLOSING", "CHECKS", "Check", "run_checks"]


def run_checks() -> list[tuple[Check, list[str]]]:
    """Run every check, in the order of the invariants."""
    return [(each, each.find()) for each in sorted(CHECKS, key=lambda c: c.invariant)]


@check(1, "Every entry has at least two postings and adds up to zero")
def entries_balance() -> list[str]:
    """Invariant 1."""
    return told("""
        SELECT format('entry %s (%s) has %s postings and is off by %s', e.id, e.memo, count(p.id), coalesce(sum(p.amount), 0))
          FROM billing_journalentry e LEFT JOIN billing_posting p ON p.entry_id = e.id
         GROUP BY e.id HAVING count(p.id) < 2 OR sum(p.amount) <> 0""")


@check(1, "What families owe is posted under a household's name")
def receivables_name_household() -> list[str]:
    """Invariant 1: the control account can be told apart by household."""
    return told("""
        SELECT format('posting %s of entry %s names no household', p.id, p.entry_id)
          FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
         WHERE a.is_receivable AND p.household_id IS NULL""")


@check(2, "Every reversal mirrors the entry it names")
def reversals_mirror() -> list[str]:
    """Invariant 2: what was undone is undone to the cent."""
    return told("""
        SELECT format('entry %s does not undo entry %s on account %s', e.id, e.reverses_id, p.account_id)
          FROM billing_journalentry e JOIN billing_posting p ON p.entry_id IN (e.id, e.reverses_id)
         WHERE e.reverses_id IS NOT NULL
         GROUP BY e.id, p.account_id, p.household_id HAVING sum(p.amount) <> 0""")


GUARDS = [
    "journalentry_kept",
    "journalentry_in_open_month",
    "journalentry_has_postings",
    "entrytofill_was_filled",
    "posting_kept",
    "posting_balances",
    "closedmonth_kept",
    "closedmonth_in_order",
    "closedmonth_is_totalled",
    "monthtotal_kept",
    *verify_charges.GUARDS,
    *verify_purchases.GUARDS,
    *verify_credits.GUARDS,
    *verify_collecting.GUARDS,
    *verify_taking.GUARDS,
    *verify_bank.GUARDS,
    *verify_closing.GUARDS,
    *verify_autopay.GUARDS,
    *verify_cards.GUARDS,
    *verify_fleet.GUARDS,
    *verify_nights.GUARDS,
    *verify_papers.GUARDS,
    *verify_references.GUARDS,
    *verify_repairs.GUARDS,
]


@check(2, "The database's guards of the books are in place")
def guards_stand() -> list[str]:
    """Invariant 2: that nothing is changed or removed rests on these triggers."""
    return told(
        """
        SELECT format('the guard %%s is missing or switched off', name) FROM unnest(%s::text[]) name
         WHERE NOT EXISTS (SELECT FROM pg_trigger WHERE tgname = name AND tgenabled IN ('O', 'A'))""",
        [GUARDS],
    )


@check(2, "Charges and payments stand on the entry that was written for them")
def sources_stand() -> list[str]:
    """Invariant 2: an entry says once what it records."""
    return told("""
        SELECT format('charge %s stands on entry %s, which records %s', c.id, e.id, e.source)
          FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id WHERE e.source <> 'charge/' || c.id
        UNION ALL
        SELECT format('payment %s stands on entry %s, which records %s', p.number, e.id, e.source)
          FROM billing_payment p JOIN billing_journalentry e ON e.id = p.entry_id WHERE e.source <> 'payment/' || p.id""")


@check(3, "Closed months hold what they were closed with")
def closed_months_stand() -> list[str]:
    """Invariant 3: the number of entries and their debits are what they were, and nothing lies before the first."""
    return told("""
        SELECT format('%s was closed with %s entries of %s and now has %s of %s', to_char(m.first_day, 'YYYY-MM'),
                      m.entry_count, m.debits, now.count, now.debits)
          FROM billing_closedmonth m, LATERAL (
                SELECT count(DISTINCT e.id) AS count, coalesce(sum(p.amount) FILTER (WHERE p.amount > 0), 0) AS debits
                  FROM billing_journalentry e LEFT JOIN billing_posting p ON p.entry_id = e.id
                 WHERE e.entry_on >= m.first_day AND e.entry_on < m.first_day + interval '1 month') now
         WHERE (now.count, now.debits) <> (m.entry_count, m.debits)
        UNION ALL
        SELECT format('entry %s lies in a month before the first closed one, %s', e.id, e.entry_on)
          FROM billing_journalentry e WHERE e.entry_on < (SELECT min(first_day) FROM billing_closedmonth)""")


@check(3, "The totals of closed months are what was posted in them")
def month_totals_stand() -> list[str]:
    """Invariant 3: the trial balance reads these instead of the entries."""
    return told("""
        SELECT format('%s moved %s on account %s, and is kept as %s', to_char(coalesce(p.month, t.month_id), 'YYYY-MM'),
                      coalesce(p.amount, 0), coalesce(p.account_id, t.account_id), coalesce(t.amount, 0))
          FROM (SELECT m.first_day AS month, p.account_id, sum(p.amount) AS amount
                  FROM billing_closedmonth m
                  JOIN billing_journalentry e ON e.entry_on >= m.first_day AND e.entry_on < m.first_day + interval '1 month'
                  JOIN billing_posting p ON p.entry_id = e.id GROUP BY 1, 2) p
          FULL JOIN billing_monthtotal t ON t.month_id = p.month AND t.account_id = p.account_id
         WHERE coalesce(p.amount, 0) <> coalesce(t.amount, 0)""")


_FORBID_CLOSING = (entries_balance, verify_charges.control_account_equals_open_items, verify_charges.lines_equal_entries)
BEFORE_CLOSING = [each for each in CHECKS if each.find in _FORBID_CLOSING]

"""Checks of what is kept at the end of a month. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "clearing_kept",
    "cleareditem_kept",
    "clearing_only_undone",
    "cleareditem_only_undone",
    "clearing_in_open_month",
    "clearing_undone_whole",
    "cleareditem_undone_whole",
    "clearing_comes_to_zero",
    "cleareditem_comes_to_zero",
    "closingpackage_kept",
    "closingfile_kept",
    "closingwaiver_kept",
    "closingwaiver_only_withdrawn",
    "closedmonth_goes_by_reopening",
    "monthtotal_goes_by_reopening",
    "monthreopening_kept",
    "monthreopening_opens",
    "bankreconciliation_kept",
    "bankreconciliation_of_the_ledger",
]


@check(3, "Every month that was reopened had been closed with what is kept of it")
def reopenings_stand() -> list[str]:
    """Invariant 3: a closing is taken back once, and the month is open since or closed anew."""
    return told("""
        SELECT format('%s is closed by the closing of %s that was taken back', to_char(m.first_day, 'YYYY-MM'), m.closed_at)
          FROM billing_closedmonth m JOIN billing_monthreopening r USING (first_day, closed_at)
        UNION ALL
        SELECT format('package %s of %s belongs to no closing', p.number, to_char(p.first_day, 'YYYY-MM'))
          FROM billing_closingpackage p
         WHERE NOT EXISTS (SELECT FROM billing_closedmonth m WHERE m.first_day = p.first_day AND m.closed_at = p.closed_at)
           AND NOT EXISTS (SELECT FROM billing_monthreopening r WHERE r.first_day = p.first_day AND r.closed_at = p.closed_at)""")


@check(8, "What was cleared comes to zero, account by account")
def clearings_come_to_zero() -> list[str]:
    """Invariant 8, for accounts that are to be cleared."""
    return told("""
        SELECT format('clearing %s leaves %s on account %s', c.id, sum(p.amount) + coalesce(max(x.amount), 0), i.account_id)
          FROM billing_clearing c JOIN billing_cleareditem i ON i.clearing_id = c.id
          JOIN billing_posting p ON p.entry_id = i.entry_id AND p.account_id = i.account_id
          LEFT JOIN LATERAL (SELECT sum(q.amount) AS amount FROM billing_posting q
                              WHERE q.entry_id = c.entry_id AND q.account_id = i.account_id) x ON true
         GROUP BY c.id, i.account_id HAVING sum(p.amount) + coalesce(max(x.amount), 0) <> 0""")


@check(9, "Every file of a closing package still has its SHA-256")
def closing_files_unchanged() -> list[str]:
    """Invariant 9, for what months were closed with."""
    return told("""
        SELECT format('file %s of closing package %s is not what was archived', f.name, f.package_id) FROM billing_closingfile f
         WHERE encode(sha256(f.content), 'hex') <> f.sha256""")


@check(8, "Every reconciliation of a closed month still says what the ledger says")
def reconciliations_stand() -> list[str]:
    """Invariant 8, for bank accounts: in a closed month nothing can have come between."""
    return told("""
        SELECT format('account %s was reconciled on %s at %s, and the ledger says %s', a.name, r."on", r.books, now.posted)
          FROM billing_bankreconciliation r JOIN billing_bankaccount a ON a.id = r.account_id
          JOIN LATERAL (SELECT coalesce(sum(p.amount), 0) AS posted FROM billing_posting p
                          JOIN billing_journalentry e ON e.id = p.entry_id
                         WHERE p.account_id = a.books_id AND e.entry_on <= r."on") now ON true
         WHERE r."on" < (SELECT max(first_day) + interval '1 month' FROM billing_closedmonth) AND now.posted <> r.books
           AND r.id = (SELECT max(x.id) FROM billing_bankreconciliation x
                        WHERE x.account_id = r.account_id AND x."on" = r."on")""")

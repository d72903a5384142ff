"""What of autopay must never be, searched for in live data."""

from billing.checking import check, told

GUARDS = [
    "autopayauthorisation_kept",
    "autopayauthorisation_only_ends",
    "autopayauthorisation_by_a_guardian",
    "autopaynotice_kept",
    "autopaynotice_stays",
    "autopayrun_kept",
    "autopayrun_moves",
    "autopayrun_leaves_whole",
    "autopayrun_refused_whole",
    "autopayentry_refused",
    "autopayentry_may_become",
    "never_debited_of_a_refused_file",
    "autopayentry_kept",
    "autopayentry_may_be",
    "autopaycover_kept",
    "autopaycover_only_closes",
    "autopayfile_kept",
    "autopayfilepart_kept",
    "autopayfilepart_only_sealed_anew",
    "autopayanswers_kept",
    "autopayreturn_kept",
    "autopayreturn_of_its_payment",
    "autopaycorrection_kept",
]


@check(11, "A charge leaves with one debit an attempt, and is in one prepared run at most")
def charges_leave_once() -> list[str]:
    """Invariant 11."""
    return told("""
        SELECT format('charge %s was put into attempt %s %s times', charge_id, attempt, count(*))
          FROM billing_autopaycover GROUP BY charge_id, attempt HAVING count(*) > 1
        UNION ALL
        SELECT format('charge %s is in %s prepared runs', charge_id, count(*))
          FROM billing_autopaycover WHERE is_open GROUP BY charge_id HAVING count(*) > 1""")


@check(11, "Every debit that left is one payment of its amount, and every run one deposit and one file")
def debits_are_payments() -> list[str]:
    """Invariant 11: what the file says is what the books say."""
    return told("""
        SELECT format('debit %s of %s is payment %s of %s', e.trace, e.amount, p.number, p.amount)
          FROM billing_autopayentry e JOIN billing_payment p ON p.id = e.payment_id
         WHERE p.amount <> e.amount OR p.household_id <> e.household_id OR p.method <> 'debit'
        UNION ALL
        SELECT format('run %s of %s left with debits of %s, deposit %s, files %s', r.number, r.total, x.sum, d.amount, f.count)
          FROM billing_autopayrun r LEFT JOIN billing_deposit d ON d.id = r.deposit_id,
               LATERAL (SELECT sum(amount) FROM billing_autopayentry WHERE run_id = r.id AND state IN ('sent', 'refused')) x,
               LATERAL (SELECT count(*) FROM billing_autopayfile WHERE run_id = r.id) f
         WHERE r.sent_at IS NOT NULL AND (x.sum IS DISTINCT FROM r.total OR d.amount IS DISTINCT FROM r.total OR f.count <> 1)""")


@check(11, "Nobody is debited more than he was told ten days ahead, and a large run was approved by another person")
def debited_as_told() -> list[str]:
    """12 CFR 1005.10(d)(1); the office's own limit."""
    return told("""
        SELECT format('debit %s of %s: %s told on %s for %s', e.id, e.amount, n.amount, n.given_on, n.debit_on)
          FROM billing_autopayentry e JOIN billing_autopaynotice n ON n.id = e.notice_id
          JOIN billing_autopayrun r ON r.id = e.run_id
         WHERE e.amount > n.amount OR n.debit_on > r.effective_on OR n.debit_on - n.given_on < 10
        UNION ALL
        SELECT format('run %s was approved by nobody else', number) FROM billing_autopayrun
         WHERE needs_approval AND sent_at IS NOT NULL AND (approved_by_id IS NULL OR approved_by_id = prepared_by_id)""")


@check(11, "Every debit that came back took its payment back, and is presented again at most twice")
def returns_take_back() -> list[str]:
    """Nacha 2013, 2.12.4."""
    return told("""
        SELECT format('debit %s came back, but not its payment', e.trace)
          FROM billing_autopayreturn b JOIN billing_autopayentry e ON e.id = b.entry_id
         WHERE NOT EXISTS (SELECT FROM billing_paymentreturn r WHERE r.id = b.payment_return_id AND r.payment_id = e.payment_id)
        UNION ALL
        SELECT format('debit %s was presented again %s times', original_id, count(*)) FROM billing_autopayentry
         WHERE original_id IS NOT NULL AND state NOT IN ('dropped', 'refused') GROUP BY original_id HAVING count(*) > 2""")


@check(11, "A file that the bank refused leaves nothing: its deposit is undone, and every payment of it is taken back")
def refused_files_leave_nothing() -> list[str]:
    """Invariant 11: nobody was debited by it."""
    return told("""
        SELECT format('run %s is refused, deposit %s still stands', r.number, d.number)
          FROM billing_autopayrun r JOIN billing_deposit d ON d.id = r.deposit_id
         WHERE r.state = 'refused' AND NOT EXISTS (SELECT FROM billing_journalentry x WHERE x.reverses_id = d.entry_id)
        UNION ALL
        SELECT format('debit %s of run %s, which is %s, is %s', e.trace, r.number, r.state, e.state)
          FROM billing_autopayentry e JOIN billing_autopayrun r ON r.id = e.run_id
         WHERE (r.state = 'refused' AND e.state = 'sent') OR (r.state <> 'refused' AND e.state = 'refused')
        UNION ALL
        SELECT format('debit %s was refused, payment %s stands', e.trace, p.number)
          FROM billing_autopayentry e JOIN billing_payment p ON p.id = e.payment_id
          LEFT JOIN billing_paymentreturn b ON b.payment_id = p.id
         WHERE e.state = 'refused' AND b.kind IS DISTINCT FROM 'file'""")

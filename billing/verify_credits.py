"""Checks of what lowers a bill without being a payment, of refunds, and of late fees. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "creditnote_kept",
    "creditnote_equals_entry",
    "creditnote_only_voided",
    "adjustment_kept",
    "adjustment_decided_stays",
    "refund_kept",
    "refund_equals_entry",
    "refund_only_deposited",
    "deposited_refund_stands",
    "late_fee_is_for_rent",
    "payer_is_of_the_household",
]


@check(6, "No credit note pays for more than it is, or for another household, or after it was voided")
def credit_notes_within() -> list[str]:
    """Invariant 6, for what is not money."""
    return told("""
        SELECT format('credit note %s of %s pays for %s', n.number, n.amount, sum(a.amount))
          FROM billing_creditnote n JOIN billing_allocation a ON a.credit_note_id = n.id AND a.released_at IS NULL
         GROUP BY n.id HAVING sum(a.amount) > n.amount
        UNION ALL
        SELECT format('credit note %s is void, or pays a voided charge or another household: charge %s', n.number, c.id)
          FROM billing_allocation a JOIN billing_creditnote n ON n.id = a.credit_note_id
          JOIN billing_chargeline l ON l.id = a.line_id JOIN billing_charge c ON c.id = l.charge_id
         WHERE a.released_at IS NULL
           AND (n.void_entry_id IS NOT NULL OR c.void_entry_id IS NOT NULL OR c.household_id <> n.household_id)""")


@check(8, "Every credit note and refund is what its entry posted")
def credits_equal_entries() -> list[str]:
    """Invariant 8: against bad debt or adjustments, out of the bank or of what is on hand."""
    return told("""
        SELECT format('credit note %s is %s, its entry %s takes off %s', n.number, n.amount, n.entry_id,
                      -billing_owed_by(n.entry_id, n.household_id))
          FROM billing_creditnote n
         WHERE billing_owed_by(n.entry_id, n.household_id) <> -n.amount
            OR NOT EXISTS (SELECT FROM billing_posting p WHERE p.entry_id = n.entry_id AND p.amount = n.amount
                              AND p.account_id = CASE n.kind WHEN 'write_off' THEN '6200' ELSE '6900' END)
        UNION ALL
        SELECT format('refund %s of charge %s was not paid out of where it says', r.id, r.charge_id)
          FROM billing_refund r JOIN billing_charge c ON c.id = r.charge_id
         WHERE NOT EXISTS (SELECT FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
                            WHERE p.entry_id = c.entry_id AND p.amount = -billing_owed_by(c.entry_id, c.household_id)
                              AND CASE r.method WHEN 'cash' THEN a.code = '1000' WHEN 'card' THEN a.code = '1020'
                                   ELSE a.is_bank END)""")


@check(8, "Every adjustment made what was asked for, and above the limit by somebody else's decision")
def adjustments_as_decided() -> list[str]:
    """Invariant 8: a credit note or a fee of the amount, and nobody granted his own."""
    return told("""
        SELECT format('adjustment %s of household %s over %s made something else, or was granted by its asker', a.id,
                      h.number, a.amount)
          FROM billing_adjustment a JOIN families_household h ON h.id = a.household_id
          LEFT JOIN billing_creditnote n ON n.id = a.credit_note_id
          LEFT JOIN billing_charge c ON c.id = a.charge_id
         WHERE a.state = 'granted'
           AND (coalesce(n.amount, billing_owed_by(c.entry_id, c.household_id)) IS DISTINCT FROM a.amount
                OR coalesce(n.household_id, c.household_id) <> a.household_id
                OR (a.needs_approval AND a.decided_by_id = a.asked_by_id))""")


@check(4, "Every late fee is for overdue rent of its household, once")
def late_fees_for_rent() -> list[str]:
    """Never on a fee, never twice."""
    return told("""
        SELECT format('late fee %s is for charge %s, which is no rent of its household', f.id, f.late_for_id)
          FROM billing_charge f JOIN billing_charge c ON c.id = f.late_for_id
         WHERE c.kind <> 'rent' OR c.household_id <> f.household_id
        UNION ALL
        SELECT format('charge %s has %s late fees', late_for_id, count(*)) FROM billing_charge
         WHERE late_for_id IS NOT NULL AND void_entry_id IS NULL GROUP BY late_for_id HAVING count(*) > 1""")

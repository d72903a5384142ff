"""Checks of the counter's takings. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "taking_kept",
    "takingcount_kept",
    "takingcount_fits",
    "takingcount_moves",
    "payment_into_taking",
    "refund_out_of_taking",
    "refund_voided_before_count",
    "void_before_count",
]


@check(8, "Every count of takings is posted, and a closed day holds what was counted")
def takings_as_counted() -> list[str]:
    """Invariant 8, in the drawer: cash over and short is what the counts say, and no money came into a closed day."""
    return told("""
        SELECT format('count %s of taking %s is %s apart, its entry posts %s', c.id, c.taking_id, c.difference,
                      billing_posted_to(c.entry_id, '1000'))
          FROM billing_takingcount c
         WHERE c.entry_id IS NOT NULL AND billing_posted_to(c.entry_id, '1000') IS DISTINCT FROM c.difference
        UNION ALL
        SELECT format('count %s was reopened, and its entry %s stands', c.id, c.entry_id) FROM billing_takingcount c
         WHERE c.reopened_at IS NOT NULL AND c.entry_id IS NOT NULL
           AND NOT EXISTS (SELECT FROM billing_journalentry e WHERE e.reverses_id = c.entry_id)
        UNION ALL
        SELECT format('taking %s was closed with %s in cash and now has %s', c.taking_id, c.taken_cash, now.cash)
          FROM billing_takingcount c, LATERAL (
               SELECT coalesce(sum(p.amount), 0) AS cash FROM billing_payment p
                WHERE p.taking_id = c.taking_id AND p.method = 'cash' AND NOT EXISTS (
                      SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id AND r.kind = 'mistake')) now
         WHERE c.reopened_at IS NULL AND now.cash <> c.taken_cash""")


@check(8, "Cash and checks lie in the takings of who took them, and only mistakes of the drawer are voided")
def payments_in_own_takings() -> list[str]:
    """Invariant 8, person by person."""
    return told("""
        SELECT format('payment %s was taken by another than taking %s says', p.number, t.id)
          FROM billing_payment p JOIN billing_taking t ON t.id = p.taking_id WHERE p.taken_by_id <> t.person_id
        UNION ALL
        SELECT format('payment %s was voided and is in deposit %s', p.number, p.deposit_id)
          FROM billing_payment p JOIN billing_paymentreturn r ON r.payment_id = p.id
         WHERE r.kind = 'mistake' AND p.deposit_id IS NOT NULL""")

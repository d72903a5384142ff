"""Checks of the way to the bank: deposits, and the bank's lines. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "deposit_kept",
    "payment_deposited_after_receipt",
    "bankstatement_kept",
    "bankline_kept",
    "bankline_only_left_out",
    "bankmatch_kept",
    "bankmatch_is_what_it_names",
    "bankmatch_to_the_cent",
    "bankmatch_only_undone",
    "journalentry_reversed_is_not_matched",
]


@check(8, "Every deposit is the sum of its payments, less the fee, the cash paid back and what was short")
def deposits_are_their_payments() -> list[str]:
    """Invariant 8, on the way to the bank."""
    return told("""
        SELECT format('deposit %s is %s, its payments less fee and cash paid back are %s', d.number, d.amount,
                      paid.sum - back.sum - taken.sum + apart.sum - d.fee)
          FROM billing_deposit d,
               LATERAL (SELECT coalesce(sum(p.amount), 0) AS sum FROM billing_payment p WHERE p.deposit_id = d.id) paid,
               LATERAL (SELECT coalesce(sum(l.amount), 0) AS sum FROM billing_refund r
                          JOIN billing_chargeline l ON l.charge_id = r.charge_id WHERE r.deposit_id = d.id) back,
               LATERAL (SELECT coalesce(sum(c.difference), 0) AS sum FROM billing_takingcount c WHERE c.deposit_id = d.id) apart,
               LATERAL (SELECT coalesce(sum(t.amount), 0) AS sum FROM billing_cardtakenback t WHERE t.deposit_id = d.id) taken
         WHERE d.amount <> paid.sum - back.sum - taken.sum + apart.sum - d.fee""")


@check(8, "No cash or check lies in a deposit of a day before it was received")
def deposits_after_receipts() -> list[str]:
    """Invariant 8: what is on hand is never less than nothing."""
    return told("""
        SELECT format('payment %s was received on %s, its deposit %s is of %s', p.number, p.received_on, d.number, d.deposited_on)
          FROM billing_payment p JOIN billing_deposit d ON d.id = p.deposit_id
         WHERE d.kind = 'counter' AND d.deposited_on < p.received_on""")


@check(10, "Every bank line is matched to the cent or not at all")
def bank_lines_to_the_cent() -> list[str]:
    """Invariant 10: the matches of a line add up to it, and each is what its deposit, payment or entry moved at the bank."""
    return told("""
        SELECT format('bank line %s of %s is matched with %s', b.id, b.amount, sum(m.amount))
          FROM billing_bankline b JOIN billing_bankmatch m ON m.line_id = b.id AND m.undone_at IS NULL
         GROUP BY b.id HAVING sum(m.amount) <> b.amount
        UNION ALL
        SELECT format('match %s of bank line %s is %s, what it names moved %s at the bank', m.id, m.line_id, m.amount,
                      billing_bank_part(coalesce(m.entry_id, d.entry_id, p.entry_id), m.books_id))
          FROM billing_bankmatch m LEFT JOIN billing_deposit d ON d.id = m.deposit_id
          LEFT JOIN billing_payment p ON p.id = m.payment_id
         WHERE m.undone_at IS NULL AND m.amount <> billing_bank_part(coalesce(m.entry_id, d.entry_id, p.entry_id), m.books_id)
        UNION ALL
        SELECT format('bank line %s is left out and matched', b.id) FROM billing_bankline b
         WHERE b.left_out_at IS NOT NULL
           AND EXISTS (SELECT FROM billing_bankmatch m WHERE m.line_id = b.id AND m.undone_at IS NULL)
        UNION ALL
        SELECT format('bank line %s is matched with entry %s, which was undone by entry %s', m.line_id, e.reverses_id, e.id)
          FROM billing_bankmatch m LEFT JOIN billing_deposit d ON d.id = m.deposit_id
          LEFT JOIN billing_payment p ON p.id = m.payment_id
          JOIN billing_journalentry e ON e.reverses_id = coalesce(m.entry_id, d.entry_id, p.entry_id)
         WHERE m.undone_at IS NULL""")

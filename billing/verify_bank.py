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


@check(10, "A deposit in several lines of the bank is whole, and what its lines make good comes to nothing")
def split_deposits_come_to_nothing() -> list[str]:
    """Invariant 10, across lines: the deposit is matched with one of its lines, its lines add up to it, and 2900 keeps nothing.

    The source of every such entry names the deposit's: `bank-split/<its entry>/<the line>/<attempt>`.
    """
    return told("""
        WITH split AS (
            SELECT id, reverses_id, split_part(source, '/', 2)::bigint AS deposit FROM billing_journalentry
             WHERE source LIKE 'bank-split/%'),
        posted AS (
            SELECT s.deposit, sum(p.amount) AS amount
              FROM split s JOIN billing_journalentry e ON s.id IN (e.id, e.reverses_id)
              JOIN billing_posting p ON p.entry_id = e.id AND p.account_id = '2900' GROUP BY 1),
        lines AS (
            SELECT s.deposit, sum(b.amount) AS amount, array_agg(b.id) AS ids
              FROM split s JOIN billing_bankmatch m ON m.entry_id = s.id AND m.undone_at IS NULL
              JOIN billing_bankline b ON b.id = m.line_id GROUP BY 1)
        SELECT format('the lines that make up deposit entry %s leave %s on what is to be cleared', deposit, amount)
          FROM posted WHERE amount <> 0
        UNION ALL
        SELECT format('deposit entry %s of %s is matched with lines of %s', l.deposit, d.amount, l.amount)
          FROM lines l LEFT JOIN billing_deposit d ON d.entry_id = l.deposit WHERE l.amount IS DISTINCT FROM d.amount
        UNION ALL
        SELECT format('deposit entry %s is on none of the lines that make it up', l.deposit)
          FROM lines l LEFT JOIN billing_deposit d ON d.entry_id = l.deposit
         WHERE NOT EXISTS (SELECT FROM billing_bankmatch m
                            WHERE m.deposit_id = d.id AND m.undone_at IS NULL AND m.line_id = ANY(l.ids))""")

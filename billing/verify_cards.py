"""Checks of card payments. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "cardattempt_kept",
    "cardattempt_moves",
    "cardevent_kept",
    "cardrefund_kept",
    "cardrefund_fits",
    "cardpayout_kept",
    "cardpayout_moves",
    "cardtakenback_kept",
    "cardtakenback_fits",
]


@check(11, "Every paid card attempt is one payment of its sum and household, and nobody has two under way")
def attempts_paid_once() -> list[str]:
    """Invariant 11, for money that comes by card: charged once, taken in once."""
    return told("""
        SELECT format('attempt %s over %s stands on payment %s over %s', a.key, a.amount, p.number, p.amount)
          FROM billing_cardattempt a JOIN billing_payment p ON p.id = a.payment_id
         WHERE (p.amount, p.household_id, p.method) IS DISTINCT FROM (a.amount, a.household_id, 'card')
        UNION ALL
        SELECT format('household %s has %s card payments under way', household_id, count(*)) FROM billing_cardattempt
         WHERE state IN ('started', 'unknown') GROUP BY household_id HAVING count(*) > 1""")


@check(8, "Every payout is its deposit, and what is on the way by card is what was paid, given back and not yet paid out")
def cards_on_the_way() -> list[str]:
    """Invariant 8, on the way from the processor: the account is explained to the cent."""
    return told("""
        SELECT format('payout %s of %s less %s is deposit %s of %s less %s', c.reference, c.amount, c.fee, d.number, d.amount,
                      d.fee)
          FROM billing_cardpayout c JOIN billing_deposit d ON d.id = c.deposit_id
         WHERE (d.amount, d.fee, d.kind) IS DISTINCT FROM (c.amount, c.fee, 'cards')
        UNION ALL
        SELECT format('more went back to the card of attempt %s than was paid', a.key)
          FROM billing_cardattempt a JOIN billing_cardrefund r ON r.attempt_id = a.id AND r.state <> 'failed'
         GROUP BY a.id HAVING sum(r.amount) > a.amount
        UNION ALL
        SELECT format('account 1020 shows %s, card payments say %s', posted, paid - back - returned)
          FROM (SELECT coalesce(sum(amount), 0) AS posted FROM billing_posting WHERE account_id = '1020') ledger,
               (SELECT coalesce(sum(amount), 0) AS paid FROM billing_payment WHERE method = 'card' AND deposit_id IS NULL) p,
               (SELECT coalesce(sum(l.amount), 0) AS back FROM billing_refund r JOIN billing_charge c ON c.id = r.charge_id
                  JOIN billing_chargeline l ON l.charge_id = c.id
                 WHERE r.method = 'card' AND c.void_entry_id IS NULL
                   AND NOT EXISTS (SELECT FROM billing_cardtakenback t WHERE t.refund_id = r.id)) b,
               (SELECT coalesce(sum(p.amount), 0) AS returned FROM billing_paymentreturn r
                  JOIN billing_payment p ON p.id = r.payment_id AND p.method = 'card'
                 WHERE NOT EXISTS (SELECT FROM billing_cardtakenback t WHERE t.payment_return_id = r.id)) x
         WHERE posted <> paid - back - returned""")

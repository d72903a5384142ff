"""Checks of what families are charged and what was paid of it. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "charge_kept",
    "charge_only_voided",
    "chargeline_kept",
    "chargeline_equals_entry",
    "chargeline_opens_item",
    "allocation_takes",
    "allocation_gives",
    "charge_void_closes_item",
    "payment_kept",
    "payment_equals_entry",
    "payment_only_deposited",
    "paymentreturn_kept",
    "paymentreturn_only_undone",
    "paymentreturn_begins_standing",
    "journalentry_undone_return_is_gone",
    "paymentreturn_takes_all_back",
    "allocation_kept",
    "allocation_fits",
    "allocation_only_released",
]


@check(4, "No agreement is billed twice for a period")
def one_charge_per_period() -> list[str]:
    """Invariant 4."""
    return told("""
        SELECT format('agreement %s has %s charges for period %s', a.number, count(*), c.period + 1)
          FROM billing_charge c JOIN agreements_agreement a ON a.id = c.agreement_id
         WHERE c.kind = 'rent' AND c.void_entry_id IS NULL GROUP BY a.id, c.period HAVING count(*) > 1""")


@check(4, "Periods are counted from their anchor, at the rent of the agreement's terms")
def periods_from_anchor() -> list[str]:
    """Invariants 4 and 9: dates never chained, no gap, no overlap, prices by the terms; a part of a period by actual days."""
    return told("""
        SELECT format('charge %s of agreement %s, period %s: dates or rent are not by its terms', c.id, a.number, c.period + 1)
          FROM billing_charge c JOIN agreements_agreement a ON a.id = c.agreement_id
          LEFT JOIN LATERAL (
            SELECT t.*, (t.anchor_on + (t."offset" + (c.period - t.first_period) * t.months) * interval '1 month')::date
                     AS begins,
                   (t.anchor_on + (t."offset" + (c.period + 1 - t.first_period) * t.months) * interval '1 month')::date
                     AS natural,
                   (SELECT f.begins_on FROM agreements_periodterms f WHERE f.agreement_id = a.id AND f.superseded_at IS NULL
                       AND f.first_period = c.period + 1) AS next_begins
              FROM agreements_periodterms t
             WHERE t.agreement_id = a.id AND t.superseded_at IS NULL AND t.first_period <= c.period
             ORDER BY t.first_period DESC LIMIT 1) t ON true
         WHERE c.kind = 'rent' AND c.void_entry_id IS NULL AND (t.id IS NULL
            OR c.period_begins_on <> t.begins
            OR (c.period_ends_on <> least(t.natural, t.next_begins)
                AND (a.ended_on IS NULL OR c.period_ends_on > least(t.natural, t.next_begins)))
            OR (c.period_ends_on = t.natural AND t.rent <> (SELECT sum(l.amount) FROM billing_chargeline l
                                   WHERE l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax))
            OR (c.period_ends_on < t.natural AND round(t.rent * (c.period_ends_on - t.begins) / (t.natural - t.begins), 2)
                  <> (SELECT sum(l.amount) FROM billing_chargeline l
                      WHERE l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax)))""")


@check(6, "No payment pays for more than it is")
def allocations_within_payments() -> list[str]:
    """Invariant 6, payments."""
    return told("""
        SELECT format('payment %s of %s pays for %s', p.number, p.amount, sum(a.amount))
          FROM billing_payment p JOIN billing_allocation a ON a.payment_id = p.id AND a.released_at IS NULL
         GROUP BY p.id HAVING sum(a.amount) > p.amount""")


@check(6, "No charge line is paid more than it is, or by another household, or after it was voided")
def allocations_within_lines() -> list[str]:
    """Invariant 6, lines."""
    return told("""
        SELECT format('line %s of charge %s over %s is paid %s', l.id, l.charge_id, l.amount, sum(a.amount))
          FROM billing_chargeline l JOIN billing_allocation a ON a.line_id = l.id AND a.released_at IS NULL
         GROUP BY l.id HAVING sum(a.amount) > l.amount
        UNION ALL
        SELECT format('allocation %s goes to a voided charge or another household: payment %s, charge %s', a.id, p.number, c.id)
          FROM billing_allocation a JOIN billing_payment p ON p.id = a.payment_id
          JOIN billing_chargeline l ON l.id = a.line_id JOIN billing_charge c ON c.id = l.charge_id
         WHERE a.released_at IS NULL AND (c.void_entry_id IS NOT NULL OR c.household_id <> p.household_id)""")


@check(7, "No rental credit stands on a returned payment")
def credit_on_good_money() -> list[str]:
    """Invariant 7: credit is derived from allocations in force, so none of these may be of a payment that came back."""
    return told("""
        SELECT format('payment %s came back on %s and still pays %s', p.number, r.returned_on, a.amount)
          FROM billing_paymentreturn r JOIN billing_payment p ON p.id = r.payment_id
          JOIN billing_allocation a ON a.payment_id = p.id AND a.released_at IS NULL""")


@check(8, "What families owe equals charges less payments and credit notes, household by household")
def control_account_equals_open_items() -> list[str]:
    """Invariant 8."""
    return told("""
        SELECT format('household %s owes %s by the ledger and %s by its charges, payments and credit notes', h.number,
                      coalesce(ledger.sum, 0), coalesce(charged.sum, 0) - coalesce(paid.sum, 0) - coalesce(credited.sum, 0))
          FROM families_household h
          LEFT JOIN (SELECT p.household_id, sum(p.amount) FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
                      WHERE a.is_receivable GROUP BY 1) ledger ON ledger.household_id = h.id
          LEFT JOIN (SELECT c.household_id, sum(l.amount) FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
                      WHERE c.void_entry_id IS NULL GROUP BY 1) charged ON charged.household_id = h.id
          LEFT JOIN (SELECT p.household_id, sum(p.amount) FROM billing_payment p
                      WHERE NOT EXISTS (SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id) GROUP BY 1) paid
            ON paid.household_id = h.id
          LEFT JOIN (SELECT n.household_id, sum(n.amount) FROM billing_creditnote n
                      WHERE n.void_entry_id IS NULL GROUP BY 1) credited
            ON credited.household_id = h.id
         WHERE coalesce(ledger.sum, 0)
               <> coalesce(charged.sum, 0) - coalesce(paid.sum, 0) - coalesce(credited.sum, 0)""")


@check(8, "Every charge's lines add up to its entry")
def lines_equal_entries() -> list[str]:
    """Invariant 8, charge by charge."""
    return told("""
        SELECT format('the lines of charge %s add up to %s, its entry %s to %s', c.id, coalesce(l.sum, 0), c.entry_id,
                      coalesce(e.sum, 0))
          FROM billing_charge c
          LEFT JOIN (SELECT charge_id, sum(amount) FROM billing_chargeline GROUP BY 1) l ON l.charge_id = c.id
          LEFT JOIN (SELECT p.entry_id, p.household_id, sum(p.amount)
                       FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
                      WHERE a.is_receivable GROUP BY 1, 2) e ON e.entry_id = c.entry_id AND e.household_id = c.household_id
         WHERE coalesce(l.sum, 0) <> coalesce(e.sum, 0)""")


@check(8, "Open items are what charges are less what was paid of them")
def open_items_stand() -> list[str]:
    """Invariant 8: what aging and lists read equals what the charges and allocations say."""
    return told("""
        SELECT format('charge %s has %s open by its lines, and an open item of %s', coalesce(c.id, o.charge_id), c.open, o.open)
          FROM (SELECT c.id, c.household_id, c.due_on, sum(l.amount - coalesce(a.paid, 0)) AS open
                  FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
                  LEFT JOIN (SELECT line_id, sum(amount) AS paid FROM billing_allocation
                              WHERE released_at IS NULL GROUP BY line_id) a ON a.line_id = l.id
                 WHERE c.void_entry_id IS NULL GROUP BY c.id HAVING sum(l.amount - coalesce(a.paid, 0)) <> 0) c
          FULL JOIN billing_openitem o ON o.charge_id = c.id
         WHERE (c.open, c.household_id, c.due_on) IS DISTINCT FROM (o.open, o.household_id, o.due_on)""")


@check(2, "A return that was undone names the entry that undid its own")
def undone_returns_name_their_undoing() -> list[str]:
    """Invariant 2: a return stands, or its entry was undone by the entry it names, and no other way."""
    return told("""
        SELECT format('the return %s of payment %s is undone, its entry %s by %s', r.id, p.number, r.entry_id,
                      coalesce(e.id::text, 'nothing'))
          FROM billing_paymentreturn r JOIN billing_payment p ON p.id = r.undone_payment_id
          LEFT JOIN billing_journalentry e ON e.reverses_id = r.entry_id
         WHERE e.id IS DISTINCT FROM r.undo_entry_id
        UNION ALL
        SELECT format('the return %s of payment %s stands, its entry was undone by %s', r.id, p.number, e.id)
          FROM billing_paymentreturn r JOIN billing_payment p ON p.id = r.payment_id
          JOIN billing_journalentry e ON e.reverses_id = r.entry_id""")

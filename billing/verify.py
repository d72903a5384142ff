"""The invariants of the house, each as one named check over live data. A check returns its breaches, one sentence each."""

from billing import (
    verify_autopay,
    verify_cards,
    verify_closing,
    verify_collecting,
    verify_credits,
    verify_purchases,
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
    "charge_kept",
    "charge_only_voided",
    "chargeline_kept",
    "chargeline_equals_entry",
    "chargeline_opens_item",
    "allocation_takes",
    "allocation_gives",
    "charge_void_closes_item",
    "closedmonth_is_totalled",
    "monthtotal_kept",
    "payment_kept",
    "payment_equals_entry",
    "payment_only_deposited",
    "deposit_kept",
    "paymentreturn_kept",
    "paymentreturn_only_undone",
    "journalentry_undone_return_is_gone",
    "paymentreturn_takes_all_back",
    "allocation_kept",
    "allocation_fits",
    "allocation_only_released",
    "bankstatement_kept",
    "bankline_kept",
    "bankline_only_left_out",
    "bankmatch_kept",
    "bankmatch_is_what_it_names",
    "bankmatch_to_the_cent",
    "bankmatch_only_undone",
    "journalentry_reversed_is_not_matched",
    "payoffquote_kept",
    *verify_purchases.GUARDS,
    *verify_credits.GUARDS,
    *verify_collecting.GUARDS,
    *verify_taking.GUARDS,
    *verify_closing.GUARDS,
    *verify_autopay.GUARDS,
    *verify_cards.GUARDS,
    "period_terms_tile",
    "period_terms_not_billed_yet",
    "agreement_has_terms",
    "fleetasset_kept",
    "fleetasset_equals_entry",
    "fleetdepreciation_kept",
    "fleetdepreciation_follows",
    "depreciatedmonth_kept",
    "depreciatedmonth_in_order",
    "fleetremoval_kept",
    "fleetremoval_takes_all_out",
    "fleetremoval_only_undone",
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


@check(5, "Every instrument is in one place at a time")
def one_place_at_a_time() -> list[str]:
    """Invariant 5, custody."""
    return told("""
        SELECT format('instrument %s is in two places: custody %s and %s', i.asset_tag, x.id, y.id)
          FROM inventory_custody x JOIN inventory_custody y ON y.instrument_id = x.instrument_id AND y.id > x.id
           AND tstzrange(x.began_at, x.ended_at) && tstzrange(y.began_at, y.ended_at)
          JOIN inventory_instrument i ON i.id = x.instrument_id""")


@check(5, "Every instrument is on one open agreement at a time")
def one_agreement_at_a_time() -> list[str]:
    """Invariant 5, agreements."""
    return told("""
        SELECT format('instrument %s is on two agreements at once: %s and %s', i.asset_tag, a.number, b.number)
          FROM agreements_agreementunit x JOIN agreements_agreementunit y ON y.instrument_id = x.instrument_id AND y.id > x.id
           AND tstzrange(x.began_at, x.ended_at) && tstzrange(y.began_at, y.ended_at)
          JOIN inventory_instrument i ON i.id = x.instrument_id
          JOIN agreements_agreement a ON a.id = x.agreement_id JOIN agreements_agreement b ON b.id = y.agreement_id""")


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


@check(8, "The fleet in the books equals the accounts of its cost and depreciation")
def fleet_equals_ledger() -> list[str]:
    """Invariant 8, for what the shop owns: as a whole, and entry by entry."""
    return told("""
        WITH assets AS (
             SELECT a.id, a.cost, coalesce(l.accumulated, 0) AS depreciated FROM billing_fleetasset a
               LEFT JOIN LATERAL (SELECT d.accumulated FROM billing_fleetdepreciation d
                                   WHERE d.asset_id = a.id ORDER BY d.month DESC LIMIT 1) l ON true
              WHERE NOT EXISTS (SELECT FROM billing_fleetremoval r WHERE r.asset_id = a.id AND r.undo_entry_id IS NULL))
        SELECT format('the instruments in the books %s %s, account %s shows %s', says, whole, account, posted)
          FROM (SELECT '1500' AS account, 'cost' AS says, coalesce(sum(cost), 0) AS whole FROM assets
                UNION ALL SELECT '1590', 'are depreciated by', -coalesce(sum(depreciated), 0) FROM assets) figures,
               LATERAL (SELECT coalesce(sum(amount), 0) AS posted FROM billing_posting WHERE account_id = account) ledger
         WHERE whole <> posted
        UNION ALL
        SELECT format('entry %s takes in %s, its instruments cost %s', entry_id, billing_posted_to(entry_id, '1500'), sum(cost))
          FROM billing_fleetasset GROUP BY entry_id HAVING sum(cost) <> billing_posted_to(entry_id, '1500')
        UNION ALL
        SELECT format('entry %s depreciates %s, its rows %s', entry_id, -billing_posted_to(entry_id, '1590'), sum(amount))
          FROM billing_fleetdepreciation GROUP BY entry_id HAVING sum(amount) <> -billing_posted_to(entry_id, '1590')""")


@check(8, "No instrument is depreciated below what it is worth after its life, or otherwise than by its schedule")
def depreciation_follows_schedule() -> list[str]:
    """Invariant 8, instrument by instrument."""
    return told("""
        SELECT format('asset %s, over %s with %s left at the end, is depreciated by %s through %s', a.id, a.cost, a.salvage,
                      d.accumulated, to_char(d.month, 'YYYY-MM'))
          FROM billing_fleetasset a
          JOIN (SELECT d.*, sum(amount) OVER (PARTITION BY asset_id ORDER BY month) AS added
                  FROM billing_fleetdepreciation d) d ON d.asset_id = a.id
         WHERE d.accumulated > a.cost - a.salvage OR d.accumulated <> d.added
            OR d.accumulated <> billing_straight_line(a.cost - a.salvage, a.life_months, d.age)""")


@check(9, "Every archived document still has its SHA-256")
def documents_unchanged() -> list[str]:
    """Invariant 9."""
    return told("""
        SELECT format('document %s (%s) is not what was archived', d.id, d.title) FROM documents_document d
         WHERE d.content IS NOT NULL AND encode(sha256(d.content), 'hex') <> d.sha256""")


@check(9, "No signed agreement was changed but for its end")
def agreements_as_signed() -> list[str]:
    """Invariant 9: every version in the audit trail agrees on all columns but the end and what followed."""
    return told("""
        SELECT format('agreement %s is not as it was signed (see its audit trail)', a.number)
          FROM agreements_agreement a JOIN agreements_agreementevent v ON v.pgh_obj_id = a.id
         WHERE (v.number, v.household_id, v.guardian_id, v.student_id, v.item_id, v.plan_version_id, v.starts_on, v.signed_at,
                v.monthly_rent, v.monthly_protection, v.purchase_price, v.replacement_value, v.tax_area_id)
            IS DISTINCT FROM
               (a.number, a.household_id, a.guardian_id, a.student_id, a.item_id, a.plan_version_id, a.starts_on, a.signed_at,
                a.monthly_rent, a.monthly_protection, a.purchase_price, a.replacement_value, a.tax_area_id)
         GROUP BY a.id""")


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


@check(11, "Nothing leaves the office twice: notices, messages, money")
def leaves_once() -> list[str]:
    """Invariant 11, for what leaves the office today: overdue steps, outbox messages."""
    return told("""
        SELECT format('household %s got step %s for %s twice', h.number, n.step, n.episode_on)
          FROM billing_overduenotice n JOIN families_household h ON h.id = n.household_id
         GROUP BY h.id, n.step, n.episode_on HAVING count(*) > 1
        UNION ALL
        SELECT format('message %s stands in the outbox %s times', key, count(*))
          FROM documents_outboxmessage GROUP BY key HAVING count(*) > 1""")


@check(12, "Every answered request made what its answer says")
def requests_answered() -> list[str]:
    """Invariant 12: a key names the record that it made, and no two keys the same one."""
    return told("""
        SELECT format('request %s (%s) has no answer', k.key, k.purpose) FROM staff_requestkey k WHERE k.answer IS NULL
        UNION ALL
        SELECT format('request %s answers with payment %s, which is not there', k.key, k.answer ->> 'payment')
          FROM staff_requestkey k LEFT JOIN billing_payment p ON p.id = (k.answer ->> 'payment')::bigint
         WHERE k.purpose IN ('payment', 'recovery') AND p.id IS NULL
        UNION ALL
        SELECT format('%s requests answer with %s', count(*), k.answer) FROM staff_requestkey k
         WHERE k.purpose IN ('payment', 'deposit', 'recovery', 'adjustment', 'write_off', 'refund')
         GROUP BY k.purpose, k.answer HAVING count(*) > 1""")


@check(12, "Payments, deposits and credit notes are numbered without gaps")
def numbers_without_gaps() -> list[str]:
    """Numbers are taken last, under a lock; what was given out is there."""
    return told("""
        SELECT format('%s numbers were given out in the series %s, but %s of them are in use', s.last_number, s.name, used.count)
          FROM staff_numberseries s JOIN (
               SELECT 'payment' AS name, count(*) FROM billing_payment WHERE number LIKE 'P-%'
               UNION ALL SELECT 'deposit', count(*) FROM billing_deposit WHERE number LIKE 'D-%'
               UNION ALL SELECT 'credit_note', count(*) FROM billing_creditnote WHERE number LIKE 'C-%') used USING (name)
         WHERE s.last_number <> used.count""")


_FORBID_CLOSING = (entries_balance, control_account_equals_open_items, lines_equal_entries)
BEFORE_CLOSING = [each for each in CHECKS if each.find in _FORBID_CLOSING]

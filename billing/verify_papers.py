"""Checks of what was signed and archived, what left the office, and its numbers. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "payoffquote_kept",
    "period_terms_tile",
    "period_terms_not_billed_yet",
    "agreement_has_terms",
]


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

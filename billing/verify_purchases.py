"""Checks of purchases and of the rental credit they use. Called by `verify`."""

from billing.checking import check, told
from billing.rental_credit import SHORTFALLS

GUARDS = ["purchase_kept", "purchase_credit_was_earned", "purchase_equals_entry", "purchase_ends_its_agreement"]

# The rent an agreement's chain had paid at the moment of a purchase. What was released at that very moment counts as still
# there: that two things of one instant are in order holds the database, when the purchase is written.
EARNED_THEN = """
    SELECT p.*, a.number, h.number AS household, v.credit_cap,
           CASE p.kind WHEN 'own' THEN v.credit_share ELSE v.step_up_share END AS share,
           coalesce(sum(al.amount) FILTER (WHERE al.made_at <= p.made_at
                                             AND (al.released_at IS NULL OR al.released_at >= p.made_at)), 0) AS paid_then,
           coalesce(sum(al.amount) FILTER (WHERE al.released_at IS NULL AND c.void_entry_id IS NULL), 0) AS paid_now
      FROM billing_purchase p JOIN agreements_agreement a ON a.id = p.agreement_id
      JOIN families_household h ON h.id = a.household_id JOIN agreements_planversion v ON v.id = a.plan_version_id
     CROSS JOIN LATERAL billing_credit_chain(a.id) k
      LEFT JOIN billing_charge c ON c.agreement_id = k.link
      LEFT JOIN billing_chargeline l ON l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax
      LEFT JOIN billing_allocation al ON al.line_id = l.id AND al.payment_id IS NOT NULL
     GROUP BY p.id, a.id, h.id, v.id
"""


@check(7, "No purchase used more rental credit than was earned when it was made")
def credit_used_was_earned() -> list[str]:
    """Invariant 7: worked out anew from the allocations in force at that moment."""
    return told(f"""
        SELECT format('the purchase on agreement %s used %s of credit, but %s was earned then', number, credit_used,
                      least(round(paid_then * share, 2), round(price * credit_cap, 2)))
          FROM ({EARNED_THEN}) p WHERE credit_used > least(round(paid_then * share, 2), round(price * credit_cap, 2))""")  # noqa: S608


@check(7, "Credit that proved unpaid after a purchase is flagged, with the amount, and nothing else is")
def credit_shortfalls_are_flagged() -> list[str]:
    """Invariant 7: what the bookkeeper is shown, against the same worked out anew from allocations."""
    return told(f"""
        SELECT format('the purchase on agreement %s is short of %s of credit, flagged is %s', p.number, missing.amount,
                      coalesce(f.credit_used - f.earned, 0))
          FROM ({EARNED_THEN}) p LEFT JOIN ({SHORTFALLS}) f ON f.id = p.id
         CROSS JOIN LATERAL (SELECT greatest(p.credit_used - least(round(p.paid_now * p.share, 2),
                                             round(p.price * p.credit_cap, 2)), 0) AS amount) missing
         WHERE missing.amount <> coalesce(f.credit_used - f.earned, 0)""")  # noqa: S608


@check(7, "Every purchase ended its agreement, once, and was posted as it says")
def purchases_stand() -> list[str]:
    """Invariant 7: a credit can be used only once, because what it was used on has ended."""
    return told("""
        SELECT format('the purchase on agreement %s stands on an agreement that ended “%s”', a.number, a.end_reason)
          FROM billing_purchase p JOIN agreements_agreement a ON a.id = p.agreement_id
         WHERE a.end_reason <> CASE p.kind WHEN 'own' THEN 'bought' ELSE 'stepped_up' END
        UNION ALL
        SELECT format('the purchase on agreement %s of %s was posted at %s', a.number, p.price, s.sold)
          FROM billing_purchase p JOIN agreements_agreement a ON a.id = p.agreement_id
          LEFT JOIN billing_charge c ON c.id = p.charge_id
         CROSS JOIN LATERAL (SELECT coalesce(-sum(t.amount), 0) AS sold FROM billing_posting t
                              WHERE t.entry_id = coalesce(p.entry_id, c.entry_id) AND t.account_id = '4500') s
         WHERE s.sold <> p.price""")

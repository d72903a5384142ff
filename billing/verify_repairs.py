"""Checks of repairs charged to families. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "work_order_moves_on",
    "work_line_of_open_order",
    "work_line_stays",
    "estimate_decided_stays",
    "estimate_only_decided",
    "estimate_stays",
    "estimate_line_in_time",
    "estimate_line_stays",
    "workevent_stays",
    "qualitycheck_stays",
]


@check(6, "No family was charged for a repair that it does not pay, or more than it agreed to")
def repairs_as_agreed() -> list[str]:
    """A repair's charge is of finished, repaired work of that family, and its lines before tax stay within what was approved."""
    return told("""
        SELECT format('work order %s is charged by charge %s, but %s', o.number, c.id,
                      CASE WHEN o.paid_by <> 'family' THEN 'the family does not pay for it'
                           WHEN o.state <> 'done' OR o.outcome <> 'repaired' THEN 'it was not finished and repaired'
                           ELSE format('comes to %s of %s approved', net.amount, agreed.amount) END)
          FROM billing_repaircharge r JOIN inventory_workorder o ON o.id = r.work_order_id
          JOIN billing_charge c ON c.id = r.charge_id
          JOIN LATERAL (SELECT coalesce(sum(l.amount), 0) AS amount FROM billing_chargeline l
                         WHERE l.charge_id = c.id AND NOT l.is_tax) net ON true
          LEFT JOIN LATERAL (SELECT (SELECT sum(p.price) FROM inventory_estimateline p WHERE p.estimate_id = e.id) AS amount
                               FROM inventory_estimate e WHERE e.order_id = o.id AND e.decision = 'approved'
                              ORDER BY e.decided_at DESC, e.id DESC LIMIT 1) agreed ON true
         WHERE o.paid_by <> 'family' OR o.state <> 'done' OR o.outcome <> 'repaired' OR net.amount > agreed.amount""")

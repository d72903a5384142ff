"""Checks of where instruments are, and of the fleet in the books. Called by `verify`."""

from billing.checking import check, told

GUARDS = [
    "fleetasset_kept",
    "fleetasset_equals_entry",
    "fleetdepreciation_kept",
    "fleetdepreciation_follows",
    "depreciatedmonth_kept",
    "depreciatedmonth_in_order",
    "fleetremoval_kept",
    "fleetremoval_takes_all_out",
    "fleetremoval_only_undone",
    "fleetsale_equals_entry",
    "fleetsale_only_undone",
    "fleetsale_kept",
    "held_stay_off_agreements",
    "rented_are_not_held",
]


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

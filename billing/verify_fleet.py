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


@check(5, "Every instrument that was ever placed is somewhere now")
def somewhere_now() -> list[str]:
    """Invariant 5: a chain of custody has no loose end."""
    return told("""
        SELECT format('instrument %s was last %s and is nowhere now', i.asset_tag, l.place)
          FROM inventory_instrument i
         CROSS JOIN LATERAL (SELECT c.place, c.ended_at FROM inventory_custody c WHERE c.instrument_id = i.id
                              ORDER BY c.ended_at IS NULL DESC, c.began_at DESC, c.id DESC LIMIT 1) l
         WHERE l.ended_at IS NOT NULL""")


@check(5, "What an open agreement has is with its family, or in the shop meanwhile")
def rented_are_with_their_family() -> list[str]:
    """Invariant 5: agreement and custody say the same."""
    return told("""
        SELECT format('instrument %s is on agreement %s, but by its custody it is: %s', i.asset_tag, a.number,
                      CASE WHEN c.place = 'family' THEN 'with another family' ELSE coalesce(c.place, 'nowhere') END)
          FROM agreements_agreementunit u JOIN agreements_agreement a ON a.id = u.agreement_id
          JOIN inventory_instrument i ON i.id = u.instrument_id
          LEFT JOIN inventory_custody c ON c.instrument_id = u.instrument_id AND c.ended_at IS NULL
         WHERE u.ended_at IS NULL
           AND NOT coalesce(c.place = 'bench' OR (c.place = 'family' AND c.household_id = a.household_id), false)""")


@check(5, "What is held is on no open agreement, and the shop has it")
def held_are_kept_aside() -> list[str]:
    """Invariant 5: nobody was given what is put aside."""
    return told("""
        SELECT format('instrument %s is held, and is %s', i.asset_tag, coalesce('on agreement ' || a.number, c.place, 'nowhere'))
          FROM inventory_hold h JOIN inventory_instrument i ON i.id = h.instrument_id
          LEFT JOIN inventory_custody c ON c.instrument_id = h.instrument_id AND c.ended_at IS NULL
          LEFT JOIN agreements_agreementunit u ON u.instrument_id = h.instrument_id AND u.ended_at IS NULL
          LEFT JOIN agreements_agreement a ON a.id = u.agreement_id
         WHERE h.ended_at IS NULL AND (u.id IS NOT NULL OR c.place IS NULL OR c.place NOT IN ('shelf', 'bench', 'school'))""")


@check(8, "What the shop sold is out of the books, billed, and sold by its custody; undone, it is none of these")
def sales_stand() -> list[str]:
    """Invariant 8, for what the shop sold."""
    return told("""
        WITH sold AS (
             SELECT s.instrument_id, s.undone_at IS NULL AS stands, c.void_entry_id IS NULL AS billed
               FROM billing_fleetsale s JOIN billing_charge c ON c.id = s.charge_id),
             booked AS (
             SELECT a.instrument_id FROM billing_fleetasset a
              WHERE NOT EXISTS (SELECT FROM billing_fleetremoval r WHERE r.asset_id = a.id AND r.undo_entry_id IS NULL))
        SELECT format('instrument %s is sold, and still stands in the books', i.asset_tag)
          FROM inventory_instrument i JOIN booked b ON b.instrument_id = i.id
          JOIN inventory_custody c ON c.instrument_id = i.id AND c.ended_at IS NULL AND c.place = 'sold'
         WHERE EXISTS (SELECT FROM sold s WHERE s.instrument_id = i.id AND s.stands)
            OR EXISTS (SELECT FROM billing_purchase p WHERE p.instrument_id = i.id)
        UNION ALL
        SELECT format('instrument %s is sold, and by its custody it is: %s', i.asset_tag, coalesce(c.place, 'nowhere'))
          FROM sold s JOIN inventory_instrument i ON i.id = s.instrument_id
          LEFT JOIN inventory_custody c ON c.instrument_id = i.id AND c.ended_at IS NULL
         WHERE s.stands AND c.place IS DISTINCT FROM 'sold'
        UNION ALL
        SELECT format('the sale of instrument %s %s, its charge %s', i.asset_tag,
                      CASE WHEN s.stands THEN 'stands' ELSE 'is undone' END, CASE WHEN s.billed THEN 'stands' ELSE 'is void' END)
          FROM sold s JOIN inventory_instrument i ON i.id = s.instrument_id WHERE s.stands <> s.billed""")


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

"""What agreements bill by their terms: one text of SQL for the monthly run, its plan and its preview. Reads only.

The same arithmetic as `rentals.agreements.periods`: days counted from the anchor, a bridge by actual days, tax by the due day.
"""

from typing import NamedTuple

# Parameters: %(through)s, the last day (inclusive) on which a period may begin; %(agreements)s where only some are asked for.
# An agreement that was never held was billed without a gap, so it goes on after its last period. One that was held is looked
# through from its beginning: what a hold kept back comes due when it is lifted.
OPEN = """
    SELECT a.id AS agreement_id, a.household_id, a.number, a.tax_area_id,
           a.id IN (SELECT h.agreement_id FROM agreements_agreementhold h) AS was_held
      FROM agreements_agreement a WHERE a.ended_on IS NULL AND {which}
"""

LAST = """
    (SELECT c.period FROM billing_charge c WHERE c.agreement_id = o.agreement_id AND c.kind = 'rent' AND c.void_entry_id IS NULL
      ORDER BY c.period DESC LIMIT 1) AS last_period
"""

# Those whose last bill does not reach past the day: what is billed already costs next to nothing.
UNCOVERED = """
    SELECT * FROM opened o WHERE NOT o.was_held AND NOT EXISTS (
        SELECT FROM billing_charge c WHERE c.agreement_id = o.agreement_id AND c.kind = 'rent' AND c.void_entry_id IS NULL
           AND c.period_ends_on > %(through)s)
"""
HELD = "SELECT * FROM opened o WHERE o.was_held"

MONTHS_GONE = """
    (extract(year FROM %(through)s::date) - extract(year FROM t.anchor_on))::int * 12
    + (extract(month FROM %(through)s::date) - extract(month FROM t.anchor_on))::int
"""

TERMS = """
    SELECT t.agreement_id, t.first_period, t.begins_on, t.anchor_on, t."offset", t.months, t.rent, t.protection,
           lead(t.first_period) OVER w AS next_first, lead(t.begins_on) OVER w AS next_begins
      FROM agreements_periodterms t WHERE t.superseded_at IS NULL AND {which}
    WINDOW w AS (PARTITION BY t.agreement_id ORDER BY t.first_period)
"""

# OFFSET 0 keeps what was worked out once from being worked out wherever it is read.
BEGUN = f"""
    SELECT d.*, CASE WHEN d.next_first = d.period + 1 THEN least(d.natural_on, d.next_begins) ELSE d.natural_on END AS ends_on
      FROM (
        SELECT n.*,
               (n.anchor_on + make_interval(months => n."offset" + (n.period - n.first_period) * n.months))::date AS begins_on,
               (n.anchor_on + make_interval(months => n."offset" + (n.period + 1 - n.first_period) * n.months))::date
                   AS natural_on
          FROM (
            SELECT w.*, t.months, t.rent AS full_rent, t.protection AS full_protection, t.anchor_on, t."offset", t.first_period,
                   t.next_first, t.next_begins, generate_series(
                       greatest(t.first_period, CASE WHEN w.was_held THEN 0 ELSE coalesce(w.last_period + 1, 0) END),
                       least(t.next_first - 1, t.first_period + greatest({MONTHS_GONE} - t."offset", 0) / t.months)) AS period
              FROM wanted w JOIN terms t USING (agreement_id) WHERE t.begins_on <= %(through)s) n
        OFFSET 0) d
     WHERE d.begins_on <= %(through)s
"""  # noqa: S608 - no part of it comes from outside

# A period that was billed and voided is not billed again. One that begins in an open hold is kept back, in a forgiven one never
# billed.
UNBILLED = """
    SELECT b.*, CASE WHEN b.was_held THEN
           (SELECT h.kind FROM agreements_agreementhold h
             WHERE h.agreement_id = b.agreement_id AND h.until_on IS NULL AND b.begins_on >= h.from_on) END AS kept_back_by
      FROM begun b
     WHERE b.full_rent + b.full_protection > 0
       AND NOT EXISTS (SELECT FROM billing_charge v WHERE v.agreement_id = b.agreement_id AND v.period = b.period
                          AND v.kind = 'rent' AND v.void_entry_id IS NOT NULL)
       AND (NOT b.was_held OR NOT (
            EXISTS (SELECT FROM billing_charge c WHERE c.agreement_id = b.agreement_id AND c.period = b.period
                       AND c.kind = 'rent' AND c.void_entry_id IS NULL)
         OR EXISTS (SELECT FROM agreements_agreementhold h WHERE h.agreement_id = b.agreement_id AND h.is_forgiven
                       AND b.begins_on >= h.from_on AND b.begins_on < h.until_on)))
"""


class Which(NamedTuple):
    """Which agreements a query looks at: of those open, of their terms, and whose periods are worked out."""

    opened: str
    terms: str
    wanted: str


THESE = Which("a.id = ANY(%(agreements)s)", "t.agreement_id = ANY(%(agreements)s)", "SELECT * FROM opened")
ALL_DUE = Which("true", "t.agreement_id IN (SELECT agreement_id FROM wanted)", f"{HELD} UNION ALL {UNCOVERED}")
ALL_HELD = Which("true", "t.agreement_id IN (SELECT agreement_id FROM wanted)", HELD)


def steps(which: Which) -> str:
    """Return the first part of a query, up to `unbilled`: the periods of open agreements begun by the day and not billed."""
    return f"""
opened AS MATERIALIZED ({OPEN.format(which=which.opened)}),
wanted AS MATERIALIZED (SELECT o.*, {LAST} FROM ({which.wanted}) o),
terms AS ({TERMS.format(which=which.terms)}),
begun AS MATERIALIZED ({BEGUN}),
unbilled AS MATERIALIZED ({UNBILLED})"""  # noqa: S608 - no part of it comes from outside


RATE = """
    LEFT JOIN rates {name} ON {name}.applies_to = '{applies_to}' AND {name}.area_id = u.tax_area_id AND NOT u.is_exempt
          AND u.begins_on >= {name}.effective_from AND u.begins_on < {name}.until_on
"""

SHARE = "CASE WHEN {0} < {1} THEN round({2} * ({0} - u.begins_on) / ({1} - u.begins_on), 2) ELSE {2} END"

# Tax on its own line, half up to the cent, at the rate in force on the due day; none where the household is exempt that day.
DUE = f"""
rates AS MATERIALIZED (
    SELECT area_id, applies_to, rate, effective_from,
           lead(effective_from, 1, 'infinity'::date) OVER (PARTITION BY area_id, applies_to ORDER BY effective_from) AS until_on
      FROM agreements_taxrate
), due AS MATERIALIZED (
    SELECT p.*, p.rent + p.rent_tax + p.protection + p.protection_tax AS total FROM (
        SELECT u.*, round(u.rent * u.rent_rate, 2) AS rent_tax, round(u.protection * u.protection_rate, 2) AS protection_tax
          FROM (
            SELECT u.agreement_id, u.household_id, u.number, u.period, u.begins_on, u.ends_on,
                   CASE WHEN u.ends_on < u.natural_on
                        THEN ', ' || (u.ends_on - u.begins_on) || ' of ' || (u.natural_on - u.begins_on) || ' days'
                        WHEN u.months > 1 THEN ', first ' || u.months || ' months' ELSE '' END AS note,
                   {SHARE.format("u.ends_on", "u.natural_on", "u.full_rent")} AS rent,
                   {SHARE.format("u.ends_on", "u.natural_on", "u.full_protection")} AS protection,
                   coalesce(rr.rate, 0) AS rent_rate, coalesce(pr.rate, 0) AS protection_rate
              FROM (
                SELECT u.*, u.household_id IN (SELECT household_id FROM agreements_taxexemption) AND EXISTS (
                           SELECT FROM agreements_taxexemption x WHERE x.household_id = u.household_id
                              AND u.begins_on BETWEEN x.from_on AND x.expires_on
                              AND coalesce(x.area_id, u.tax_area_id) = u.tax_area_id) AS is_exempt
                  FROM unbilled u WHERE u.kept_back_by IS NULL) u
              {RATE.format(name="rr", applies_to="rent")}
              {RATE.format(name="pr", applies_to="protection")}) u) p
     WHERE p.rent + p.protection > 0
     ORDER BY p.agreement_id, p.period
)"""  # noqa: S608 - no part of it comes from outside

# Every agreement that is looked at, under one word.
JUDGED = """
    SELECT w.agreement_id, CASE WHEN u.is_due THEN 'due' WHEN u.kept_back_by = 'hold' THEN 'on_hold'
           WHEN u.kept_back_by = 'recall' THEN 'recalled'
           WHEN w.last_period IS NULL AND w.agreement_id NOT IN (SELECT agreement_id FROM begun) THEN 'not_started'
           ELSE 'up_to_date' END AS word
      FROM wanted w LEFT JOIN (
        SELECT agreement_id, bool_or(kept_back_by IS NULL) AS is_due, min(kept_back_by) AS kept_back_by
          FROM unbilled GROUP BY agreement_id) u USING (agreement_id)
"""

# Without a hold no period has to be worked out: where the last bill ends, the next one begins.
JUDGED_QUICKLY = f"""
    {JUDGED}
    UNION ALL
    SELECT o.agreement_id, CASE WHEN o.agreement_id IN (
               SELECT t.agreement_id FROM agreements_periodterms t
                WHERE t.superseded_at IS NULL AND t.first_period = 0 AND t.begins_on <= %(through)s)
           THEN 'due' ELSE 'not_started' END
      FROM ({UNCOVERED}) o
"""  # noqa: S608 - no part of it comes from outside

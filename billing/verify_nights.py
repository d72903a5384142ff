"""Checks of what sign-up nights bring home. Called by `verify`."""

from billing.checking import check, told

GUARDS = ["pgtrigger_night_unit_not_along_when_over_da337", "pgtrigger_night_closed_with_nothing_along_8c4d3"]


@check(4, "What arrived from a night is one agreement of that night")
def night_sign_ups_are_agreements() -> list[str]:
    """An agreement that begins on the night's day; one that waits for a person, or was put aside, is none."""
    return told("""
        SELECT format('sign-up %s of the night on %s is %s, %s', s.id, n."on", s.state,
                      CASE WHEN a.id IS NULL THEN 'and has no agreement'
                           ELSE format('and its agreement %s begins on %s', a.number, a.starts_on) END)
          FROM agreements_nightsignup s JOIN schools_night n ON n.id = s.night_id
          LEFT JOIN agreements_agreement a ON a.id = s.agreement_id
         WHERE (s.state = 'arrived' AND a.starts_on IS DISTINCT FROM n."on") OR (s.state <> 'arrived' AND a.id IS NOT NULL)
        UNION ALL
        SELECT format('agreement %s was promised an instrument at another night than the one it was signed at', a.number)
          FROM agreements_nightsignup s JOIN agreements_agreement a ON a.id = s.agreement_id
          JOIN agreements_unitpromise p ON p.agreement_id = a.id
         WHERE p.night_id IS DISTINCT FROM s.night_id""")


@check(4, "What a sign-up of a night was paid lies in the takings of who took it")
def night_money_is_with_its_taker() -> list[str]:
    """Also where somebody else brought it in from the tablet's file."""
    return told("""
        SELECT format('payment %s of sign-up %s is in the takings of %s, but %s took it', p.number, s.id, o.name, u.name)
          FROM agreements_nightsignup s JOIN agreements_lifeevent e ON e.agreement_id = s.agreement_id
          JOIN billing_payment p ON p.id = (e.detail ->> 'payment')::bigint JOIN billing_taking t ON t.id = p.taking_id
          JOIN staff_user u ON u.id = s.taken_by_id LEFT JOIN staff_user o ON o.id = t.person_id
         WHERE e.kind = 'first_payment' AND t.person_id <> s.taken_by_id""")


@check(4, "Who pays after a night gave nothing at signing")
def who_pays_later_gave_nothing() -> list[str]:
    """What was due at signing was left open, and is paid afterwards."""
    return told("""
        SELECT format('agreement %s is to be paid after the night on %s, and payment %s was taken with its signature',
                      a.number, n."on", p.number)
          FROM agreements_nightsignup s JOIN schools_night n ON n.id = s.night_id
          JOIN agreements_agreement a ON a.id = s.agreement_id
          JOIN agreements_lifeevent e ON e.agreement_id = a.id AND e.kind = 'first_payment'
          JOIN billing_payment p ON p.id = (e.detail ->> 'payment')::bigint
         WHERE s.pays_later""")


@check(5, "A promise is open exactly while its agreement runs without an instrument")
def promises_stand() -> list[str]:
    """And what was given in its place was on that agreement."""
    return told("""
        WITH promises AS (
             SELECT p.*, a.number, a.ended_on,
                    EXISTS (SELECT FROM agreements_agreementunit u WHERE u.agreement_id = a.id AND u.role = 'rented'
                                    AND u.ended_at IS NULL) AS has_one
               FROM agreements_unitpromise p JOIN agreements_agreement a ON a.id = p.agreement_id)
        SELECT format('agreement %s still waits for an instrument, but %s', number,
                      CASE WHEN has_one THEN 'has one' ELSE 'ended on ' || ended_on END)
          FROM promises WHERE settled_at IS NULL AND (has_one OR ended_on IS NOT NULL)
        UNION ALL
        SELECT format('agreement %s runs without an instrument and waits for none', number)
          FROM promises WHERE settled_at IS NOT NULL AND ended_on IS NULL AND NOT has_one
        UNION ALL
        SELECT format('the promise of agreement %s was kept with instrument %s, which it never had', number, given_id)
          FROM promises p
         WHERE given_id IS NOT NULL AND NOT EXISTS (
               SELECT FROM agreements_agreementunit u WHERE u.agreement_id = p.agreement_id AND u.instrument_id = p.given_id)""")


@check(5, "What a night gave out went to a family, and what is along is with none")
def night_units_went_where_they_say() -> list[str]:
    """An instrument given at a night came onto an agreement after it was loaded."""
    return told("""
        SELECT format('instrument %s was given out at night %s, and came onto no agreement there', i.asset_tag, n.night_id)
          FROM schools_nightunit n JOIN inventory_instrument i ON i.id = n.instrument_id
         WHERE n.outcome = 'given' AND NOT EXISTS (
               SELECT FROM agreements_agreementunit u WHERE u.instrument_id = i.id AND u.role = 'rented'
                  AND u.began_at >= n.loaded_at)
        UNION ALL
        SELECT format('instrument %s is along at night %s, and on agreement %s', i.asset_tag, n.night_id, a.number)
          FROM schools_nightunit n JOIN inventory_instrument i ON i.id = n.instrument_id
          JOIN agreements_agreementunit u ON u.instrument_id = i.id AND u.ended_at IS NULL
          JOIN agreements_agreement a ON a.id = u.agreement_id
         WHERE n.ended_at IS NULL""")

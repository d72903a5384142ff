"""Which agreements one rental credit is earned along, and what may be used of it: said once, for the guards and for every read."""

from django.db import migrations

# The day equals rentals.agreements.rules.credit_lives_until; a test holds them against each other.
LIVES = """
CREATE FUNCTION billing_credit_lives_until(ended_on date, months integer) RETURNS date LANGUAGE sql IMMUTABLE AS $$
    SELECT greatest((ended_on + months * interval '1 month')::date, ended_on + 60)
$$;
"""

# Exchange, size-up and transfer take the credit along; a reinstatement only when it came while the credit still lived.
CHAIN = """
CREATE FUNCTION billing_credit_chain(agreement bigint) RETURNS TABLE (link bigint) LANGUAGE sql STABLE AS $$
    WITH RECURSIVE chain AS (
        SELECT a.id, a.follows_id, a.follows_by, a.starts_on FROM agreements_agreement a WHERE a.id = agreement
      UNION ALL
        SELECT b.id, b.follows_id, b.follows_by, b.starts_on
          FROM chain JOIN agreements_agreement b ON b.id = chain.follows_id
          JOIN agreements_planversion v ON v.id = b.plan_version_id
         WHERE chain.follows_by <> 'reinstatement'
            OR chain.starts_on <= billing_credit_lives_until(b.ended_on, v.credit_lives_months)
    )
    SELECT id FROM chain
$$;

CREATE OR REPLACE FUNCTION billing_chain_rent_paid(agreement bigint) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT coalesce(sum(al.amount), 0)
      FROM billing_credit_chain(agreement) k JOIN billing_charge c ON c.agreement_id = k.link AND c.void_entry_id IS NULL
      JOIN billing_chargeline l ON l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax
      JOIN billing_allocation al ON al.line_id = l.id AND al.released_at IS NULL AND al.payment_id IS NOT NULL
$$;
"""

EARNED = """
CREATE FUNCTION billing_credit_earned(agreement bigint, purchase_kind text, price numeric) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT least(round(billing_chain_rent_paid(a.id) * CASE purchase_kind WHEN 'own' THEN v.credit_share ELSE v.step_up_share END, 2),
                 round(price * v.credit_cap, 2))
      FROM agreements_agreement a JOIN agreements_planversion v ON v.id = a.plan_version_id WHERE a.id = agreement
$$;

CREATE OR REPLACE FUNCTION billing_purchase_credit_was_earned() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    most numeric := billing_credit_earned(NEW.agreement_id, NEW.kind, NEW.price);
BEGIN
    IF NEW.credit_used > most THEN
        RAISE EXCEPTION 'The purchase on agreement % uses % of credit, but % is earned', NEW.agreement_id, NEW.credit_used, most
            USING ERRCODE = 'check_violation', CONSTRAINT = 'purchase_credit_was_earned';
    END IF;
    RETURN NEW;
END $$;
"""

# Written once and never changed: what a purchase posts is what it says, and its agreement ended by it.
POSTED = """
CREATE FUNCTION billing_purchase_is_posted() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    posted bigint := coalesce(NEW.entry_id, (SELECT entry_id FROM billing_charge WHERE id = NEW.charge_id));
BEGIN
    IF (SELECT coalesce(sum(-amount), 0) FROM billing_posting WHERE entry_id = posted AND account_id = '4500') <> NEW.price
       OR (SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE entry_id = posted AND account_id = '4590') <> NEW.credit_used
       OR (SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE entry_id = posted AND account_id = '4595') <> NEW.discount THEN
        RAISE EXCEPTION 'The purchase on agreement % is not what its entry posts', NEW.agreement_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'purchase_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER purchase_equals_entry BEFORE INSERT ON billing_purchase
    FOR EACH ROW EXECUTE FUNCTION billing_purchase_is_posted();

CREATE FUNCTION billing_purchase_ends_its_agreement() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM agreements_agreement a WHERE a.id = NEW.agreement_id
                    AND a.end_reason = CASE NEW.kind WHEN 'own' THEN 'bought' ELSE 'stepped_up' END) THEN
        RAISE EXCEPTION 'Agreement % did not end by the purchase on it', NEW.agreement_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'purchase_ends_its_agreement';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER purchase_ends_its_agreement AFTER INSERT ON billing_purchase
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_purchase_ends_its_agreement();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0010_guards_by_statement"), ("agreements", "0009_what_is_added_stays")]
    operations = [migrations.RunSQL(sql) for sql in (LIVES, CHAIN, EARNED, POSTED)]

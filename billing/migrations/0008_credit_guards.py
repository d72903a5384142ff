"""What the database refuses of credit notes, purchases, refunds, and of terms whose periods are billed."""

from django.db import migrations

KEPT = "".join(
    f"CREATE TRIGGER {table}_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_{table} "
    "FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();\n"
    for table in ("payoffquote", "purchase", "refund")
) + "".join(
    f"CREATE TRIGGER {table}_kept BEFORE DELETE OR TRUNCATE ON billing_{table} "
    "FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();\n"
    for table in ("creditnote", "adjustment")
)

CREDIT_NOTES = """
CREATE FUNCTION billing_credit_note_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF billing_owed_by(NEW.entry_id, NEW.household_id) <> -NEW.amount THEN
        RAISE EXCEPTION 'Credit note % is not what its entry takes off what the household owes', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'credit_note_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER creditnote_equals_entry BEFORE INSERT ON billing_creditnote
    FOR EACH ROW EXECUTE FUNCTION billing_credit_note_equals_entry();

CREATE FUNCTION billing_credit_note_only_voided() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'void_entry_id') <> (to_jsonb(OLD) - 'void_entry_id')
       OR (OLD.void_entry_id IS NOT NULL AND NEW.void_entry_id IS DISTINCT FROM OLD.void_entry_id) THEN
        RAISE EXCEPTION 'Credit note % is kept as it was made; it can only be voided, once', OLD.number
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.void_entry_id IS DISTINCT FROM OLD.void_entry_id THEN
        IF NOT EXISTS (SELECT FROM billing_journalentry WHERE id = NEW.void_entry_id AND reverses_id = NEW.entry_id) THEN
            RAISE EXCEPTION 'Credit note % is voided by an entry that does not undo its own', OLD.number
                USING ERRCODE = 'check_violation', CONSTRAINT = 'credit_note_void_undoes_it';
        END IF;
        IF EXISTS (SELECT FROM billing_allocation WHERE credit_note_id = OLD.id AND released_at IS NULL) THEN
            RAISE EXCEPTION 'Credit note % still pays for charges: release that first', OLD.number
                USING ERRCODE = 'check_violation', CONSTRAINT = 'credit_note_void_is_not_used';
        END IF;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER creditnote_only_voided BEFORE UPDATE ON billing_creditnote
    FOR EACH ROW EXECUTE FUNCTION billing_credit_note_only_voided();
"""

# The charges, payments and credit notes are locked before adding up, so that two who allocate at once cannot both pass.
ALLOCATIONS = """
CREATE OR REPLACE FUNCTION billing_allocations_fit() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    PERFORM 1 FROM billing_charge WHERE id IN (SELECT l.charge_id FROM fresh f JOIN billing_chargeline l ON l.id = f.line_id)
      ORDER BY id FOR NO KEY UPDATE;
    PERFORM 1 FROM billing_payment WHERE id IN (SELECT payment_id FROM fresh) ORDER BY id FOR NO KEY UPDATE;
    PERFORM 1 FROM billing_creditnote WHERE id IN (SELECT credit_note_id FROM fresh) ORDER BY id FOR NO KEY UPDATE;
    SELECT f.id INTO culprit FROM fresh f
      LEFT JOIN billing_payment p ON p.id = f.payment_id
      LEFT JOIN billing_creditnote n ON n.id = f.credit_note_id
      JOIN billing_chargeline l ON l.id = f.line_id JOIN billing_charge c ON c.id = l.charge_id
     WHERE f.released_at IS NULL AND (coalesce(p.household_id, n.household_id) <> c.household_id OR c.void_entry_id IS NOT NULL
           OR n.void_entry_id IS NOT NULL
           OR EXISTS (SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id)) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Allocation % is of a returned payment, of or to what was voided, or between two households', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocation_of_good_money';
    END IF;
    SELECT p.id INTO culprit FROM billing_payment p JOIN billing_allocation a ON a.payment_id = p.id AND a.released_at IS NULL
     WHERE p.id IN (SELECT payment_id FROM fresh) GROUP BY p.id, p.amount HAVING sum(a.amount) > p.amount LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Payment % would pay for more than it is', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocations_within_payment';
    END IF;
    SELECT n.id INTO culprit FROM billing_creditnote n JOIN billing_allocation a ON a.credit_note_id = n.id AND a.released_at IS NULL
     WHERE n.id IN (SELECT credit_note_id FROM fresh) GROUP BY n.id, n.amount HAVING sum(a.amount) > n.amount LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Credit note % would pay for more than it is', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocations_within_credit_note';
    END IF;
    SELECT l.id INTO culprit FROM billing_chargeline l JOIN billing_allocation a ON a.line_id = l.id AND a.released_at IS NULL
     WHERE l.id IN (SELECT line_id FROM fresh) GROUP BY l.id, l.amount HAVING sum(a.amount) > l.amount LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Charge line % would be paid more than it is', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocations_within_line';
    END IF;
    RETURN NULL;
END $$;
"""

# Rent paid along the chain of agreements, by money only; the plan's share and cap bound what may be used.
PURCHASES = """
CREATE FUNCTION billing_chain_rent_paid(agreement bigint) RETURNS numeric LANGUAGE sql STABLE AS $$
    WITH RECURSIVE chain AS (
        SELECT id, follows_id FROM agreements_agreement WHERE id = agreement
      UNION ALL
        SELECT a.id, a.follows_id FROM chain JOIN agreements_agreement a ON a.id = chain.follows_id
    )
    SELECT coalesce(sum(al.amount), 0)
      FROM chain JOIN billing_charge c ON c.agreement_id = chain.id AND c.void_entry_id IS NULL
      JOIN billing_chargeline l ON l.charge_id = c.id AND l.kind = 'rent' AND NOT l.is_tax
      JOIN billing_allocation al ON al.line_id = l.id AND al.released_at IS NULL AND al.payment_id IS NOT NULL
$$;

CREATE FUNCTION billing_purchase_credit_was_earned() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    most numeric;
BEGIN
    SELECT least(round(billing_chain_rent_paid(a.id) * CASE NEW.kind WHEN 'own' THEN v.credit_share ELSE v.step_up_share END, 2),
                 round(NEW.price * v.credit_cap, 2))
      INTO most
      FROM agreements_agreement a JOIN agreements_planversion v ON v.id = a.plan_version_id WHERE a.id = NEW.agreement_id;
    IF NEW.credit_used > most THEN
        RAISE EXCEPTION 'The purchase on agreement % uses % of credit, but % is earned', NEW.agreement_id, NEW.credit_used, most
            USING ERRCODE = 'check_violation', CONSTRAINT = 'purchase_credit_was_earned';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER purchase_credit_was_earned BEFORE INSERT ON billing_purchase
    FOR EACH ROW EXECUTE FUNCTION billing_purchase_credit_was_earned();
"""

TERMS = """
CREATE FUNCTION billing_terms_keep_what_is_billed() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'INSERT' OR NEW.superseded_at IS DISTINCT FROM OLD.superseded_at THEN
        IF EXISTS (SELECT FROM billing_charge c WHERE c.agreement_id = NEW.agreement_id AND c.kind = 'rent' AND c.void_entry_id IS NULL
                      AND (c.period >= NEW.first_period
                           OR (TG_OP = 'INSERT' AND c.period = NEW.first_period - 1 AND c.period_ends_on > NEW.begins_on))) THEN
            RAISE EXCEPTION 'Agreement % has billed a period that these terms would change', NEW.agreement_id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'period_terms_not_billed_yet';
        END IF;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER period_terms_not_billed_yet BEFORE INSERT OR UPDATE ON agreements_periodterms
    FOR EACH ROW EXECUTE FUNCTION billing_terms_keep_what_is_billed();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0007_credits_and_purchases"), ("agreements", "0009_what_is_added_stays")]
    operations = [migrations.RunSQL(sql) for sql in (KEPT, CREDIT_NOTES, ALLOCATIONS, PURCHASES, TERMS)]

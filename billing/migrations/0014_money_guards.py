"""What the database refuses of adjustments, refunds, late fees and of who paid."""

import django.db.models.deletion
from django.db import migrations, models

ADJUSTMENTS = """
CREATE FUNCTION billing_adjustment_decided_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND (OLD.state <> 'asked'
       OR (NEW.household_id, NEW.agreement_id, NEW.direction, NEW.amount, NEW.reason, NEW.needs_approval, NEW.asked_at,
           NEW.asked_by_id)
          IS DISTINCT FROM
          (OLD.household_id, OLD.agreement_id, OLD.direction, OLD.amount, OLD.reason, OLD.needs_approval, OLD.asked_at,
           OLD.asked_by_id)) THEN
        RAISE EXCEPTION 'Adjustment % is kept as it was asked for; it can only be decided on, once', OLD.id
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.credit_note_id IS NOT NULL AND NOT EXISTS (
        SELECT FROM billing_creditnote n WHERE n.id = NEW.credit_note_id AND n.kind = 'adjustment' AND n.amount = NEW.amount
           AND n.household_id = NEW.household_id AND n.agreement_id IS NOT DISTINCT FROM NEW.agreement_id) THEN
        RAISE EXCEPTION 'The credit note of adjustment % is not what was asked for', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'adjustment_is_what_was_asked';
    END IF;
    IF NEW.charge_id IS NOT NULL AND NOT EXISTS (
        SELECT FROM billing_charge c WHERE c.id = NEW.charge_id AND c.kind = 'fee' AND c.household_id = NEW.household_id
           AND billing_owed_by(c.entry_id, c.household_id) = NEW.amount) THEN
        RAISE EXCEPTION 'The charge of adjustment % is not what was asked for', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'adjustment_is_what_was_asked';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER adjustment_decided_stays BEFORE INSERT OR UPDATE ON billing_adjustment
    FOR EACH ROW EXECUTE FUNCTION billing_adjustment_decided_stays();
"""

# A refund is what its entry took out of the bank or of what is on hand. Only the deposit it made smaller is filled in, once.
REFUNDS = """
DROP TRIGGER refund_kept ON billing_refund;
CREATE TRIGGER refund_kept BEFORE DELETE OR TRUNCATE ON billing_refund
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_refund_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (
        SELECT FROM billing_charge c JOIN billing_posting p ON p.entry_id = c.entry_id
         WHERE c.id = NEW.charge_id AND c.kind = 'refund'
           AND p.account_id = CASE NEW.method WHEN 'cash' THEN '1000' ELSE '1010' END
           AND p.amount = -billing_owed_by(c.entry_id, c.household_id)) THEN
        RAISE EXCEPTION 'Refund % is not what its entry paid out', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'refund_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER refund_equals_entry BEFORE INSERT ON billing_refund FOR EACH ROW EXECUTE FUNCTION billing_refund_equals_entry();

CREATE FUNCTION billing_refund_only_deposited() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'deposit_id') <> (to_jsonb(OLD) - 'deposit_id') OR OLD.deposit_id IS NOT NULL THEN
        RAISE EXCEPTION 'Refund % is kept as it was made', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF EXISTS (SELECT FROM billing_charge WHERE id = NEW.charge_id AND void_entry_id IS NOT NULL) THEN
        RAISE EXCEPTION 'Refund % was taken back: no deposit is smaller for it', OLD.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_less_refunds_that_stand';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER refund_only_deposited BEFORE UPDATE ON billing_refund
    FOR EACH ROW EXECUTE FUNCTION billing_refund_only_deposited();

CREATE FUNCTION billing_deposited_refund_stands() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_refund WHERE charge_id = NEW.id AND deposit_id IS NOT NULL) THEN
        RAISE EXCEPTION 'The refund of charge % made a deposit smaller and stands', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposited_refund_stands';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER deposited_refund_stands BEFORE UPDATE OF void_entry_id ON billing_charge
    FOR EACH ROW WHEN (NEW.kind = 'refund') EXECUTE FUNCTION billing_deposited_refund_stands();
"""

DEPOSITS = """
CREATE OR REPLACE FUNCTION billing_deposit_is_its_payments() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    deposit bigint := CASE TG_TABLE_NAME WHEN 'billing_deposit' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                         ELSE (to_jsonb(NEW) ->> 'deposit_id')::bigint END;
BEGIN
    IF deposit IS NOT NULL AND (SELECT amount FROM billing_deposit WHERE id = deposit)
       IS DISTINCT FROM (SELECT sum(amount) FROM billing_payment WHERE deposit_id = deposit)
          - (SELECT coalesce(sum(l.amount), 0) FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
              WHERE r.deposit_id = deposit) THEN
        RAISE EXCEPTION 'Deposit % is not the sum of its payments less the cash paid back', deposit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_is_its_payments';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER deposit_is_its_payments AFTER UPDATE OF deposit_id ON billing_refund
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.deposit_id IS NOT NULL)
    EXECUTE FUNCTION billing_deposit_is_its_payments();
"""

LATE_FEES = """
CREATE FUNCTION billing_late_fee_is_for_rent() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_charge c WHERE c.id = NEW.late_for_id AND c.kind = 'rent'
                      AND c.household_id = NEW.household_id AND c.void_entry_id IS NULL) THEN
        RAISE EXCEPTION 'A late fee is for rent that the same household owes, never for a fee'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'late_fee_is_for_rent';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER late_fee_is_for_rent BEFORE INSERT ON billing_charge
    FOR EACH ROW WHEN (NEW.late_for_id IS NOT NULL) EXECUTE FUNCTION billing_late_fee_is_for_rent();
"""

PAYERS = """
CREATE FUNCTION billing_payer_is_of_the_household() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM families_guardian g WHERE g.id = NEW.paid_by_id AND g.household_id = NEW.household_id) THEN
        RAISE EXCEPTION 'Payment % names a payer who is no guardian of its household', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'payer_is_of_the_household';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER payer_is_of_the_household BEFORE INSERT ON billing_payment
    FOR EACH ROW WHEN (NEW.paid_by_id IS NOT NULL) EXECUTE FUNCTION billing_payer_is_of_the_household();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0013_fleet_guards")]
    operations = [
        migrations.AddField(
            model_name="refund",
            name="deposit",
            field=models.ForeignKey(
                help_text="Cash paid back out of what was on hand: the deposit that came to so much less.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="refunds",
                to="billing.deposit",
            ),
        ),
        migrations.AddConstraint(
            model_name="refund",
            constraint=models.CheckConstraint(
                condition=models.Q(("deposit", None), ("method", "cash"), _connector="OR"), name="refund_deposited_is_cash"
            ),
        ),
        *(migrations.RunSQL(sql) for sql in (ADJUSTMENTS, REFUNDS, DEPOSITS, LATE_FEES, PAYERS)),
    ]

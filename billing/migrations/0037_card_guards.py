"""What the database refuses of card payments: an attempt that is rewritten, paid twice or otherwise, a payout that does not add up."""

from django.db import migrations

KEPT = """
CREATE TRIGGER cardattempt_kept BEFORE DELETE OR TRUNCATE ON billing_cardattempt
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER cardevent_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_cardevent
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER cardrefund_kept BEFORE DELETE OR TRUNCATE ON billing_cardrefund
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER cardpayout_kept BEFORE DELETE OR TRUNCATE ON billing_cardpayout
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER cardtakenback_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_cardtakenback
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# An attempt keeps what it is about; a paid one stays paid, one that ended otherwise can only turn out to be paid after all.
ATTEMPTS = """
CREATE FUNCTION billing_cardattempt_moves() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND ((NEW.key, NEW.processor, NEW.household_id, NEW.amount, NEW.started_at, NEW.started_by_id)
          IS DISTINCT FROM (OLD.key, OLD.processor, OLD.household_id, OLD.amount, OLD.started_at, OLD.started_by_id)
       OR (OLD.session <> '' AND NEW.session <> OLD.session) OR (OLD.charge <> '' AND NEW.charge <> OLD.charge)
       OR (OLD.payment_id IS NOT NULL AND NEW.payment_id IS DISTINCT FROM OLD.payment_id)
       OR (OLD.ended_at IS NOT NULL AND NEW.state NOT IN (OLD.state, 'succeeded'))) THEN
        RAISE EXCEPTION 'Attempt % is kept as it was started and ended', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.payment_id IS NOT NULL AND NOT EXISTS (
        SELECT FROM billing_payment p WHERE p.id = NEW.payment_id AND p.method = 'card' AND p.amount = NEW.amount
           AND p.household_id = NEW.household_id) THEN
        RAISE EXCEPTION 'The payment of attempt % is not what was charged', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'card_attempt_payment_fits';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER cardattempt_moves BEFORE INSERT OR UPDATE ON billing_cardattempt
    FOR EACH ROW EXECUTE FUNCTION billing_cardattempt_moves();
"""

# Never more back to a card than was paid by it, refunds that failed left aside.
REFUNDS = """
CREATE FUNCTION billing_cardrefund_fits() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    paid numeric;
BEGIN
    SELECT amount INTO paid FROM billing_cardattempt WHERE id = NEW.attempt_id AND state = 'succeeded' FOR UPDATE;
    IF TG_OP = 'UPDATE' AND ((NEW.key, NEW.attempt_id, NEW.refund_id, NEW.amount, NEW.asked_at, NEW.asked_by_id)
          IS DISTINCT FROM (OLD.key, OLD.attempt_id, OLD.refund_id, OLD.amount, OLD.asked_at, OLD.asked_by_id)
       OR (OLD.state <> 'asked' AND NEW.state <> OLD.state)) THEN
        RAISE EXCEPTION 'Card refund % is kept as it was asked for', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF paid IS NULL OR NEW.amount + (SELECT coalesce(sum(amount), 0) FROM billing_cardrefund
                                      WHERE attempt_id = NEW.attempt_id AND state <> 'failed' AND id <> NEW.id) > paid
       AND NEW.state <> 'failed' THEN
        RAISE EXCEPTION 'More would go back to the card than was paid by it'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'card_refund_within_payment';
    END IF;
    IF NOT EXISTS (SELECT FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
                    WHERE r.id = NEW.refund_id AND r.method = 'card' GROUP BY r.id HAVING sum(l.amount) = NEW.amount) THEN
        RAISE EXCEPTION 'The refund in the books is not what goes back to the card'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'card_refund_is_its_refund';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER cardrefund_fits BEFORE INSERT OR UPDATE ON billing_cardrefund
    FOR EACH ROW EXECUTE FUNCTION billing_cardrefund_fits();

CREATE OR REPLACE FUNCTION billing_refund_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (
        SELECT FROM billing_charge c JOIN billing_posting p ON p.entry_id = c.entry_id
          JOIN billing_account a ON a.code = p.account_id
         WHERE c.id = NEW.charge_id AND c.kind = 'refund'
           AND CASE NEW.method WHEN 'cash' THEN a.code = '1000' WHEN 'card' THEN a.code = '1020' ELSE a.is_bank END
           AND p.amount = -billing_owed_by(c.entry_id, c.household_id)) THEN
        RAISE EXCEPTION 'Refund % is not what its entry paid out', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'refund_equals_entry';
    END IF;
    RETURN NEW;
END $$;
"""

PAYOUTS = """
CREATE FUNCTION billing_cardpayout_moves() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    later text[] := ARRAY['difference', 'problem', 'deposit_id', 'read_at', 'lines', 'fee', 'amount', 'arrives_on'];
BEGIN
    IF TG_OP = 'UPDATE' AND (OLD.deposit_id IS NOT NULL OR (to_jsonb(NEW) - later) <> (to_jsonb(OLD) - later)) THEN
        RAISE EXCEPTION 'Payout % is kept as it was booked', OLD.reference USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.deposit_id IS NOT NULL AND NOT EXISTS (SELECT FROM billing_deposit d WHERE d.id = NEW.deposit_id
            AND d.kind = 'cards' AND (d.amount, d.fee, d.deposited_on) = (NEW.amount, NEW.fee, NEW.arrives_on)) THEN
        RAISE EXCEPTION 'Payout % is not its deposit', NEW.reference
            USING ERRCODE = 'check_violation', CONSTRAINT = 'card_payout_is_its_deposit';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER cardpayout_moves BEFORE INSERT OR UPDATE ON billing_cardpayout
    FOR EACH ROW EXECUTE FUNCTION billing_cardpayout_moves();

CREATE FUNCTION billing_cardtakenback_fits() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_deposit WHERE id = NEW.deposit_id AND kind = 'cards') OR NEW.amount IS DISTINCT FROM coalesce(
        (SELECT p.amount FROM billing_paymentreturn b JOIN billing_payment p ON p.id = b.payment_id
          WHERE b.id = NEW.payment_return_id AND p.method = 'card'),
        (SELECT sum(l.amount) FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
          WHERE r.id = NEW.refund_id AND r.method = 'card')) THEN
        RAISE EXCEPTION 'What was taken back of deposit % was not paid by card', NEW.deposit_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'card_taken_back_fits';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER cardtakenback_fits BEFORE INSERT ON billing_cardtakenback
    FOR EACH ROW EXECUTE FUNCTION billing_cardtakenback_fits();
"""

# A disputed card payment may still reach the bank with its payout: what was taken back comes off another, or the same.
DEPOSITS = """
CREATE OR REPLACE FUNCTION billing_payment_only_deposited() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'deposit_id') <> (to_jsonb(OLD) - 'deposit_id')
       OR (OLD.deposit_id IS NOT NULL AND NEW.deposit_id IS DISTINCT FROM OLD.deposit_id) THEN
        RAISE EXCEPTION 'Payment % is kept as it was taken; it can only be deposited, once', OLD.number
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.deposit_id IS DISTINCT FROM OLD.deposit_id AND (
       NOT EXISTS (SELECT FROM billing_deposit d WHERE d.id = NEW.deposit_id AND (d.kind, NEW.method)
                       IN (('counter', 'cash'), ('counter', 'cheque'), ('cards', 'card'), ('debits', 'debit')))
       OR (NEW.method <> 'card' AND EXISTS (SELECT FROM billing_paymentreturn WHERE payment_id = OLD.id))) THEN
        RAISE EXCEPTION 'Payment % is not on hand, so it cannot be deposited', OLD.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_of_what_is_on_hand';
    END IF;
    RETURN NEW;
END $$;

CREATE OR REPLACE FUNCTION billing_deposit_is_its_payments() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    deposit bigint := CASE TG_TABLE_NAME WHEN 'billing_deposit' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                         ELSE (to_jsonb(NEW) ->> 'deposit_id')::bigint END;
BEGIN
    IF deposit IS NOT NULL AND (SELECT amount + fee FROM billing_deposit WHERE id = deposit)
       IS DISTINCT FROM (SELECT coalesce(sum(amount), 0) FROM billing_payment WHERE deposit_id = deposit)
          - (SELECT coalesce(sum(l.amount), 0) FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
              WHERE r.deposit_id = deposit)
          + (SELECT coalesce(sum(difference), 0) FROM billing_takingcount WHERE deposit_id = deposit)
          - (SELECT coalesce(sum(amount), 0) FROM billing_cardtakenback WHERE deposit_id = deposit) THEN
        RAISE EXCEPTION 'Deposit % is not the sum of its payments less the fee, what was paid back and what was short', deposit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_is_its_payments';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER deposit_is_its_payments AFTER INSERT ON billing_cardtakenback
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_deposit_is_its_payments();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0036_cards")]
    operations = [migrations.RunSQL(sql) for sql in (KEPT, ATTEMPTS, REFUNDS, PAYOUTS, DEPOSITS)]

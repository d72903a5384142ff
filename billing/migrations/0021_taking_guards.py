"""What the database refuses of takings: money into a day that is counted down, counts that are changed, mistakes voided late."""

from django.db import migrations

# Cash and checks belong to the takings of who took them. The day is kept open, for share, until the transaction ends.
INTO = """
CREATE FUNCTION billing_taking_is_open(taking bigint, what text) RETURNS bigint LANGUAGE plpgsql AS $$
DECLARE
    whose bigint;
BEGIN
    SELECT person_id INTO whose FROM billing_taking WHERE id = taking FOR SHARE;
    IF EXISTS (SELECT FROM billing_takingcount WHERE taking_id = taking AND reopened_at IS NULL) THEN
        RAISE EXCEPTION '%: the takings are counted down', what
            USING ERRCODE = 'check_violation', CONSTRAINT = 'taking_closed_takes_no_more';
    END IF;
    RETURN whose;
END $$;

CREATE FUNCTION billing_payment_into_taking() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.method IN ('cash', 'cheque')) IS DISTINCT FROM (NEW.taking_id IS NOT NULL)
       OR (NEW.taking_id IS NOT NULL AND billing_taking_is_open(NEW.taking_id, 'Payment ' || NEW.number) <> NEW.taken_by_id) THEN
        RAISE EXCEPTION 'Payment % is not in the takings of who took it', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'payment_in_own_takings';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER payment_into_taking BEFORE INSERT ON billing_payment FOR EACH ROW EXECUTE FUNCTION billing_payment_into_taking();

CREATE FUNCTION billing_refund_out_of_taking() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.method = 'cash') IS DISTINCT FROM (NEW.taking_id IS NOT NULL)
       OR (NEW.taking_id IS NOT NULL AND billing_taking_is_open(NEW.taking_id, 'A refund') <> NEW.made_by_id) THEN
        RAISE EXCEPTION 'A refund in cash comes out of the takings of who paid it'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'refund_out_of_own_takings';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER refund_out_of_taking BEFORE INSERT ON billing_refund FOR EACH ROW EXECUTE FUNCTION billing_refund_out_of_taking();

CREATE FUNCTION billing_void_before_count() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    paid billing_payment;
BEGIN
    SELECT * INTO paid FROM billing_payment WHERE id = NEW.payment_id;
    IF paid.taking_id IS NULL OR paid.deposit_id IS NOT NULL THEN
        RAISE EXCEPTION 'Payment % is not in the drawer, so it cannot be voided', paid.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'void_of_what_is_in_the_drawer';
    END IF;
    PERFORM billing_taking_is_open(paid.taking_id, 'Payment ' || paid.number);
    RETURN NEW;
END $$;
CREATE TRIGGER void_before_count BEFORE INSERT ON billing_paymentreturn
    FOR EACH ROW WHEN (NEW.kind = 'mistake') EXECUTE FUNCTION billing_void_before_count();
"""

KEPT = """
CREATE TRIGGER taking_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_taking
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER takingcount_kept BEFORE DELETE OR TRUNCATE ON billing_takingcount
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# A count is of what the books say at its moment; later it is closed, deposited, or opened again, each once.
COUNTS = """
CREATE FUNCTION billing_takingcount_fits() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    whose bigint;
    taken numeric; at_bank numeric; back numeric; cheques numeric; many bigint;
BEGIN
    SELECT person_id INTO whose FROM billing_taking WHERE id = NEW.taking_id FOR UPDATE;
    SELECT coalesce(sum(p.amount) FILTER (WHERE p.method = 'cash' AND r.kind IS DISTINCT FROM 'mistake'), 0),
           coalesce(sum(p.amount) FILTER (WHERE p.method = 'cash' AND p.deposit_id IS NOT NULL), 0),
           coalesce(sum(p.amount) FILTER (WHERE p.method = 'cheque' AND p.deposit_id IS NULL AND r.id IS NULL), 0),
           count(*) FILTER (WHERE p.method = 'cheque' AND p.deposit_id IS NULL AND r.id IS NULL)
      INTO taken, at_bank, cheques, many
      FROM billing_payment p LEFT JOIN billing_paymentreturn r ON r.payment_id = p.id WHERE p.taking_id = NEW.taking_id;
    SELECT coalesce(sum(l.amount), 0) INTO back FROM billing_refund f JOIN billing_charge c ON c.id = f.charge_id
      JOIN billing_chargeline l ON l.charge_id = c.id WHERE f.taking_id = NEW.taking_id AND c.void_entry_id IS NULL;
    IF (whose, taken, at_bank, back, cheques, many)
       IS DISTINCT FROM (NEW.counted_by_id, NEW.taken_cash, NEW.banked, NEW.paid_back, NEW.cheque_sum, NEW.cheque_count::bigint) THEN
        RAISE EXCEPTION 'The count of taking % is not of what was taken, or by somebody else', NEW.taking_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'taking_count_is_of_the_day';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER takingcount_fits BEFORE INSERT ON billing_takingcount
    FOR EACH ROW EXECUTE FUNCTION billing_takingcount_fits();

CREATE FUNCTION billing_takingcount_moves() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    later text[] := ARRAY['closed_at', 'closed_by_id', 'entry_id', 'deposit_id', 'reopened_at', 'reopened_by_id', 'reopen_reason'];
BEGIN
    IF TG_OP = 'UPDATE' AND ((to_jsonb(NEW) - later) <> (to_jsonb(OLD) - later) OR OLD.reopened_at IS NOT NULL
       OR (OLD.closed_at IS NOT NULL AND (NEW.closed_at, NEW.closed_by_id, NEW.entry_id)
           IS DISTINCT FROM (OLD.closed_at, OLD.closed_by_id, OLD.entry_id))
       OR (OLD.deposit_id IS NOT NULL AND NEW.deposit_id IS DISTINCT FROM OLD.deposit_id)) THEN
        RAISE EXCEPTION 'Count % is kept as it was made', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.entry_id IS NOT NULL AND (billing_posted_to(NEW.entry_id, '1000'), billing_posted_to(NEW.entry_id, '6150'))
       IS DISTINCT FROM (NEW.difference, -NEW.difference) THEN
        RAISE EXCEPTION 'The difference of count % is not what its entry posts', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'taking_count_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER takingcount_moves BEFORE INSERT OR UPDATE ON billing_takingcount
    FOR EACH ROW EXECUTE FUNCTION billing_takingcount_moves();
"""

DEPOSITS = """
CREATE OR REPLACE FUNCTION billing_deposit_is_its_payments() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    deposit bigint := CASE TG_TABLE_NAME WHEN 'billing_deposit' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                         ELSE (to_jsonb(NEW) ->> 'deposit_id')::bigint END;
BEGIN
    IF deposit IS NOT NULL AND (SELECT amount + fee FROM billing_deposit WHERE id = deposit)
       IS DISTINCT FROM (SELECT sum(amount) FROM billing_payment WHERE deposit_id = deposit)
          - (SELECT coalesce(sum(l.amount), 0) FROM billing_refund r JOIN billing_chargeline l ON l.charge_id = r.charge_id
              WHERE r.deposit_id = deposit)
          + (SELECT coalesce(sum(difference), 0) FROM billing_takingcount WHERE deposit_id = deposit) THEN
        RAISE EXCEPTION 'Deposit % is not the sum of its payments less the fee, the cash paid back and what was short', deposit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_is_its_payments';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER deposit_is_its_payments AFTER UPDATE OF deposit_id ON billing_takingcount
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.deposit_id IS NOT NULL)
    EXECUTE FUNCTION billing_deposit_is_its_payments();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0020_takings")]
    operations = [migrations.RunSQL(sql) for sql in (INTO, KEPT, COUNTS, DEPOSITS)]

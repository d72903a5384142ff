"""What the database refuses, whoever asks: the guards of the books."""

from django.db import migrations

REFUSE = """
CREATE FUNCTION billing_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% of % is refused: it is kept as it was written', TG_OP, TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;
"""

# Written once, never changed.
KEPT = ["journalentry", "posting", "closedmonth", "chargeline", "deposit", "paymentreturn"]
# Of these one column may be filled in; the guards below say which.
FILLED_IN = ["charge", "payment", "allocation"]

NO_CHANGE = """
CREATE TRIGGER {table}_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_{table}
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""
NO_REMOVAL = """
CREATE TRIGGER {table}_kept BEFORE DELETE OR TRUNCATE ON billing_{table}
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# Posting takes the key shared, closing takes it alone: an entry is either seen by the closing or sees the month closed.
MONTHS = """
CREATE FUNCTION billing_entry_in_open_month() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    open_from date;
    refused date;
BEGIN
    PERFORM pg_advisory_xact_lock_shared(hashtext('billing.months'));
    SELECT (max(first_day) + interval '1 month')::date INTO open_from FROM billing_closedmonth;
    SELECT min(entry_on) INTO refused FROM fresh WHERE entry_on < open_from;
    IF refused IS NOT NULL THEN
        RAISE EXCEPTION 'The books are closed before %: nothing may be posted on %', open_from, refused
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_in_open_month';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER journalentry_in_open_month AFTER INSERT ON billing_journalentry
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_entry_in_open_month();

CREATE FUNCTION billing_months_close_in_order() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    open_from date;
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('billing.months'));
    SELECT (max(first_day) + interval '1 month')::date INTO open_from FROM billing_closedmonth;
    IF NEW.first_day < open_from THEN
        RAISE EXCEPTION 'The books are closed before % already', open_from
            USING ERRCODE = 'check_violation', CONSTRAINT = 'months_close_in_order';
    END IF;
    IF EXISTS (SELECT FROM billing_journalentry
               WHERE entry_on < NEW.first_day AND entry_on >= coalesce(open_from, '-infinity'::date)) THEN
        RAISE EXCEPTION 'An earlier month has entries and is still open'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'months_close_in_order';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER closedmonth_in_order BEFORE INSERT ON billing_closedmonth
    FOR EACH ROW EXECUTE FUNCTION billing_months_close_in_order();
"""

BALANCE = """
CREATE FUNCTION billing_postings_balance() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT entry_id INTO culprit FROM fresh GROUP BY entry_id HAVING count(*) < 2 OR sum(amount) <> 0 LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % does not balance, or has fewer than two postings', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_balances';
    END IF;
    SELECT p.entry_id INTO culprit
      FROM billing_posting p JOIN (SELECT entry_id, count(*) AS n FROM fresh GROUP BY entry_id) f USING (entry_id)
     GROUP BY p.entry_id, f.n HAVING count(*) <> f.n LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % has its postings already', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_is_written_once';
    END IF;
    SELECT f.entry_id INTO culprit FROM fresh f JOIN billing_account a ON a.code = f.account_id
     WHERE a.is_receivable AND f.household_id IS NULL LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % posts to what families owe without naming the household', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'receivable_names_household';
    END IF;
    SELECT e.id INTO culprit
      FROM billing_journalentry e, LATERAL (SELECT * FROM billing_posting p WHERE p.entry_id IN (e.id, e.reverses_id)) p
     WHERE e.id IN (SELECT entry_id FROM fresh) AND e.reverses_id IS NOT NULL
     GROUP BY e.id, p.account_id, p.household_id HAVING sum(p.amount) <> 0 LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % does not undo the entry it names', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reversal_mirrors_its_entry';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER posting_balances AFTER INSERT ON billing_posting
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_postings_balance();

CREATE FUNCTION billing_entry_has_postings() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_posting WHERE entry_id = NEW.id) THEN
        RAISE EXCEPTION 'Entry % has no postings', NEW.id USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_has_postings';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER journalentry_has_postings AFTER INSERT ON billing_journalentry
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_entry_has_postings();
"""

CHARGES = """
CREATE FUNCTION billing_owed_by(entry bigint, household bigint) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT coalesce(sum(p.amount), 0) FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
     WHERE p.entry_id = entry AND p.household_id = household AND a.is_receivable
$$;

CREATE FUNCTION billing_lines_equal_entry() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT c.id INTO culprit FROM billing_charge c
     WHERE c.id IN (SELECT charge_id FROM fresh)
       AND (SELECT sum(l.amount) FROM billing_chargeline l WHERE l.charge_id = c.id) <> billing_owed_by(c.entry_id, c.household_id)
     LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'The lines of charge % do not add up to what its entry posts to what the household owes', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'charge_lines_equal_entry';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER chargeline_equals_entry AFTER INSERT ON billing_chargeline
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_lines_equal_entry();

CREATE FUNCTION billing_charge_only_voided() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'void_entry_id') <> (to_jsonb(OLD) - 'void_entry_id')
       OR (OLD.void_entry_id IS NOT NULL AND NEW.void_entry_id IS DISTINCT FROM OLD.void_entry_id) THEN
        RAISE EXCEPTION 'Charge % is kept as it was made; it can only be voided, once', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.void_entry_id IS DISTINCT FROM OLD.void_entry_id THEN
        IF NOT EXISTS (SELECT FROM billing_journalentry WHERE id = NEW.void_entry_id AND reverses_id = NEW.entry_id) THEN
            RAISE EXCEPTION 'Charge % is voided by an entry that does not undo its own', OLD.id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'charge_void_undoes_it';
        END IF;
        IF EXISTS (SELECT FROM billing_allocation a JOIN billing_chargeline l ON l.id = a.line_id
                   WHERE l.charge_id = OLD.id AND a.released_at IS NULL) THEN
            RAISE EXCEPTION 'Charge % is still paid for: release that first', OLD.id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'charge_void_is_not_paid';
        END IF;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER charge_only_voided BEFORE UPDATE ON billing_charge FOR EACH ROW EXECUTE FUNCTION billing_charge_only_voided();
"""

PAYMENTS = """
CREATE FUNCTION billing_payment_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF billing_owed_by(NEW.entry_id, NEW.household_id) <> -NEW.amount THEN
        RAISE EXCEPTION 'Payment % is not what its entry takes off what the household owes', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'payment_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER payment_equals_entry BEFORE INSERT ON billing_payment FOR EACH ROW EXECUTE FUNCTION billing_payment_equals_entry();

CREATE FUNCTION billing_payment_only_deposited() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'deposit_id') <> (to_jsonb(OLD) - 'deposit_id')
       OR (OLD.deposit_id IS NOT NULL AND NEW.deposit_id IS DISTINCT FROM OLD.deposit_id) THEN
        RAISE EXCEPTION 'Payment % is kept as it was taken; it can only be deposited, once', OLD.number
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.deposit_id IS DISTINCT FROM OLD.deposit_id AND (NEW.method = 'transfer'
       OR EXISTS (SELECT FROM billing_paymentreturn WHERE payment_id = OLD.id)) THEN
        RAISE EXCEPTION 'Payment % is not on hand, so it cannot be deposited', OLD.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_of_what_is_on_hand';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER payment_only_deposited BEFORE UPDATE ON billing_payment FOR EACH ROW EXECUTE FUNCTION billing_payment_only_deposited();

CREATE FUNCTION billing_deposit_is_its_payments() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    deposit bigint := CASE TG_TABLE_NAME WHEN 'billing_deposit' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                         ELSE (to_jsonb(NEW) ->> 'deposit_id')::bigint END;
BEGIN
    IF deposit IS NOT NULL AND (SELECT amount FROM billing_deposit WHERE id = deposit)
       IS DISTINCT FROM (SELECT sum(amount) FROM billing_payment WHERE deposit_id = deposit) THEN
        RAISE EXCEPTION 'Deposit % is not the sum of its payments', deposit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'deposit_is_its_payments';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER deposit_is_its_payments AFTER INSERT ON billing_deposit
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_deposit_is_its_payments();
CREATE CONSTRAINT TRIGGER deposit_is_its_payments AFTER INSERT OR UPDATE OF deposit_id ON billing_payment
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.deposit_id IS NOT NULL)
    EXECUTE FUNCTION billing_deposit_is_its_payments();

CREATE FUNCTION billing_return_takes_all_back() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    paid billing_payment;
BEGIN
    SELECT * INTO paid FROM billing_payment WHERE id = NEW.payment_id FOR NO KEY UPDATE;
    IF EXISTS (SELECT FROM billing_allocation WHERE payment_id = NEW.payment_id AND released_at IS NULL) THEN
        RAISE EXCEPTION 'Payment % still pays for charges: release that first', paid.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'return_releases_allocations';
    END IF;
    IF billing_owed_by(NEW.entry_id, paid.household_id) <> paid.amount THEN
        RAISE EXCEPTION 'The return of payment % is not what its entry puts back', paid.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'return_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER paymentreturn_takes_all_back BEFORE INSERT ON billing_paymentreturn
    FOR EACH ROW EXECUTE FUNCTION billing_return_takes_all_back();
"""

# The charges and payments are locked before adding up, so that two who allocate at once cannot both pass.
ALLOCATIONS = """
CREATE FUNCTION billing_allocations_fit() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    PERFORM 1 FROM billing_charge WHERE id IN (SELECT l.charge_id FROM fresh f JOIN billing_chargeline l ON l.id = f.line_id)
      ORDER BY id FOR NO KEY UPDATE;
    PERFORM 1 FROM billing_payment WHERE id IN (SELECT payment_id FROM fresh) ORDER BY id FOR NO KEY UPDATE;
    SELECT f.id INTO culprit FROM fresh f
      JOIN billing_payment p ON p.id = f.payment_id
      JOIN billing_chargeline l ON l.id = f.line_id JOIN billing_charge c ON c.id = l.charge_id
     WHERE f.released_at IS NULL AND (p.household_id <> c.household_id OR c.void_entry_id IS NOT NULL
           OR EXISTS (SELECT FROM billing_paymentreturn r WHERE r.payment_id = p.id)) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Allocation % is of a returned payment, to a voided charge, or between two households', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocation_of_good_money';
    END IF;
    SELECT p.id INTO culprit FROM billing_payment p JOIN billing_allocation a ON a.payment_id = p.id AND a.released_at IS NULL
     WHERE p.id IN (SELECT payment_id FROM fresh) GROUP BY p.id, p.amount HAVING sum(a.amount) > p.amount LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Payment % would pay for more than it is', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocations_within_payment';
    END IF;
    SELECT l.id INTO culprit FROM billing_chargeline l JOIN billing_allocation a ON a.line_id = l.id AND a.released_at IS NULL
     WHERE l.id IN (SELECT line_id FROM fresh) GROUP BY l.id, l.amount HAVING sum(a.amount) > l.amount LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Charge line % would be paid more than it is', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'allocations_within_line';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER allocation_fits AFTER INSERT ON billing_allocation
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_allocations_fit();

CREATE FUNCTION billing_allocation_only_released() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'released_at') <> (to_jsonb(OLD) - 'released_at') OR OLD.released_at IS NOT NULL THEN
        RAISE EXCEPTION 'Allocation % is kept as it was made; it can only be released, once', OLD.id
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER allocation_only_released BEFORE UPDATE ON billing_allocation
    FOR EACH ROW EXECUTE FUNCTION billing_allocation_only_released();
"""

FORWARD = [
    REFUSE,
    *(NO_CHANGE.format(table=table) for table in KEPT),
    *(NO_REMOVAL.format(table=table) for table in FILLED_IN),
    MONTHS,
    BALANCE,
    CHARGES,
    PAYMENTS,
    ALLOCATIONS,
]


class Migration(migrations.Migration):
    dependencies = [("billing", "0003_billing_run_progress")]
    operations = [migrations.RunSQL(sql) for sql in FORWARD]

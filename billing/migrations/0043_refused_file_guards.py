"""What the database refuses of files that the bank refused, and of cash paid back out of a day that is counted down."""

from django.db import migrations

RUNS = """
CREATE OR REPLACE FUNCTION billing_autopay_run_moves() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.number, NEW.effective_on, NEW.needs_approval, NEW.prepared_at, NEW.prepared_by_id)
       IS DISTINCT FROM (OLD.number, OLD.effective_on, OLD.needs_approval, OLD.prepared_at, OLD.prepared_by_id)
       OR (OLD.sent_at IS NOT NULL AND (NEW.sent_at, NEW.sent_by_id, NEW.deposit_id, NEW.total, NEW.entry_count, NEW.approved_by_id)
             IS DISTINCT FROM (OLD.sent_at, OLD.sent_by_id, OLD.deposit_id, OLD.total, OLD.entry_count, OLD.approved_by_id))
       OR NEW.total > OLD.total
       OR (NEW.state <> OLD.state AND (OLD.state, NEW.state) NOT IN (
            ('waiting', 'ready'), ('waiting', 'cancelled'), ('ready', 'sent'), ('ready', 'cancelled'),
            ('sent', 'settled'), ('sent', 'refused'), ('settled', 'refused'))) THEN
        RAISE EXCEPTION 'Run % cannot go from % to %, or change what it was', OLD.number, OLD.state, NEW.state
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;

CREATE OR REPLACE FUNCTION billing_autopay_run_leaves_whole() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_autopayfile WHERE run_id = NEW.id)
       OR EXISTS (SELECT FROM billing_autopayentry WHERE run_id = NEW.id AND state = 'open')
       OR (SELECT sum(amount) FROM billing_autopayentry WHERE run_id = NEW.id AND state IN ('sent', 'refused'))
          IS DISTINCT FROM NEW.total
       OR (SELECT amount FROM billing_deposit WHERE id = NEW.deposit_id) IS DISTINCT FROM NEW.total THEN
        RAISE EXCEPTION 'Run % leaves whole: its file, its debits and its deposit are one sum', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_run_leaves_whole';
    END IF;
    RETURN NULL;
END $$;

CREATE FUNCTION billing_autopay_run_refused_whole() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_autopayentry WHERE run_id = NEW.id AND state NOT IN ('refused', 'dropped'))
       OR NOT EXISTS (SELECT FROM billing_deposit d JOIN billing_journalentry x ON x.reverses_id = d.entry_id
                       WHERE d.id = NEW.deposit_id)
       OR EXISTS (SELECT FROM billing_autopayreturn b JOIN billing_autopayentry e ON e.id = b.entry_id WHERE e.run_id = NEW.id) THEN
        RAISE EXCEPTION 'Run % is refused whole: its deposit undone, every debit taken back, and none of them answered', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_run_refused_whole';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER autopayrun_refused_whole AFTER UPDATE ON billing_autopayrun DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW WHEN (NEW.state = 'refused' AND OLD.state <> 'refused') EXECUTE FUNCTION billing_autopay_run_refused_whole();
"""

ENTRIES = """
CREATE FUNCTION billing_autopay_entry_refused() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.state <> 'sent' OR (to_jsonb(NEW) - 'state') <> (to_jsonb(OLD) - 'state')
       OR NOT EXISTS (SELECT FROM billing_autopayrun WHERE id = NEW.run_id AND state = 'refused')
       OR NOT EXISTS (SELECT FROM billing_paymentreturn WHERE payment_id = NEW.payment_id AND kind = 'file') THEN
        RAISE EXCEPTION 'Entry % is refused only with its whole file, its payment taken back', OLD.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_entry_refused_with_its_file';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayentry_refused BEFORE UPDATE ON billing_autopayentry
    FOR EACH ROW WHEN (NEW.state = 'refused') EXECUTE FUNCTION billing_autopay_entry_refused();

DROP TRIGGER autopayentry_may_be ON billing_autopayentry;
CREATE TRIGGER autopayentry_may_be BEFORE INSERT ON billing_autopayentry
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_entry_may_be();
CREATE TRIGGER autopayentry_may_become BEFORE UPDATE ON billing_autopayentry
    FOR EACH ROW WHEN (NEW.state <> 'refused' OR OLD.state = 'refused') EXECUTE FUNCTION billing_autopay_entry_may_be();

CREATE FUNCTION billing_never_debited_of_a_refused_file() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_autopayentry WHERE payment_id = NEW.payment_id AND state = 'refused') THEN
        RAISE EXCEPTION 'Payment % was in no file that the bank refused', NEW.payment_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'never_debited_of_a_refused_file';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER never_debited_of_a_refused_file AFTER INSERT ON billing_paymentreturn DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW WHEN (NEW.kind = 'file') EXECUTE FUNCTION billing_never_debited_of_a_refused_file();
"""

# What a family was told holds again only where the file it went out with was refused, and nothing else came of it.
NOTICES = """
CREATE OR REPLACE FUNCTION billing_autopay_notice_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND ((to_jsonb(NEW) - 'closed_at') <> (to_jsonb(OLD) - 'closed_at')
       OR (OLD.closed_at IS NOT NULL AND (NEW.closed_at IS NOT NULL
           OR NOT EXISTS (SELECT FROM billing_autopayentry WHERE notice_id = OLD.id AND state = 'refused')
           OR EXISTS (SELECT FROM billing_autopayentry WHERE notice_id = OLD.id AND state IN ('open', 'sent'))))) THEN
        RAISE EXCEPTION 'Notice % is kept as it was given', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF (TG_OP = 'INSERT' OR (OLD.closed_at IS NOT NULL AND NEW.closed_at IS NULL))
       AND NOT EXISTS (SELECT FROM billing_autopayauthorisation a
                        WHERE a.id = NEW.authorisation_id AND a.household_id = NEW.household_id AND a.ended_at IS NULL) THEN
        RAISE EXCEPTION 'No authorisation of household % is in force', NEW.household_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_notice_authorised';
    END IF;
    RETURN NEW;
END $$;
"""

# A match holds a share of the entry behind its deposit or payment too, so that nobody undoes it at the same moment.
MATCHES = """
CREATE OR REPLACE FUNCTION billing_line_matched_to_the_cent() RETURNS trigger LANGUAGE plpgsql
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    matched numeric;
    named bigint := coalesce(NEW.entry_id, (SELECT entry_id FROM billing_deposit WHERE id = NEW.deposit_id));
BEGIN
    SELECT sum(amount) INTO matched FROM billing_bankmatch WHERE line_id = NEW.line_id AND undone_at IS NULL;
    IF matched <> (SELECT amount FROM billing_bankline WHERE id = NEW.line_id) THEN
        RAISE EXCEPTION 'Bank line % is matched with %, which is not its amount', NEW.line_id, matched
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_line_to_the_cent';
    END IF;
    PERFORM FROM billing_journalentry WHERE id = named FOR KEY SHARE;
    IF named IS NOT NULL AND EXISTS (SELECT FROM billing_bankmatch WHERE id = NEW.id AND undone_at IS NULL)
       AND EXISTS (SELECT FROM billing_journalentry WHERE reverses_id = named) THEN
        RAISE EXCEPTION 'Entry % was undone', named
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_of_what_stands';
    END IF;
    RETURN NULL;
END $$;
"""

# Cash paid back was counted with its day: voided later, the count would be of something else.
REFUNDS = """
CREATE FUNCTION billing_refund_voided_before_count() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    taking bigint := (SELECT taking_id FROM billing_refund WHERE charge_id = NEW.id);
BEGIN
    IF taking IS NOT NULL THEN
        PERFORM billing_taking_is_open(taking, 'Refund of charge ' || NEW.id);
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER refund_voided_before_count BEFORE UPDATE OF void_entry_id ON billing_charge
    FOR EACH ROW WHEN (NEW.kind = 'refund' AND OLD.void_entry_id IS NULL AND NEW.void_entry_id IS NOT NULL)
    EXECUTE FUNCTION billing_refund_voided_before_count();
"""

class Migration(migrations.Migration):
    dependencies = [("billing", "0042_refused_files")]
    operations = [migrations.RunSQL(sql) for sql in (RUNS, ENTRIES, NOTICES, MATCHES, REFUNDS)]

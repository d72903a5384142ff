"""What the database refuses of autopay: whoever writes, nothing is debited twice, untold, or for more than was told."""

from django.db import migrations

ROUTING = """
CREATE FUNCTION billing_is_routing_number(digits text) RETURNS boolean LANGUAGE sql IMMUTABLE STRICT AS $$
    SELECT digits ~ '^[0-9]{9}$' AND (left(digits, 2)::int BETWEEN 1 AND 12 OR left(digits, 2)::int BETWEEN 21 AND 32
                                      OR left(digits, 2)::int BETWEEN 61 AND 72)
       AND (SELECT sum(substr(digits, n, 1)::int * (ARRAY[3, 7, 1])[(n - 1) % 3 + 1]) FROM generate_series(1, 9) n) % 10 = 0
$$;
ALTER TABLE billing_autopayauthorisation
    ADD CONSTRAINT autopay_routing_number CHECK (billing_is_routing_number(routing_number)),
    ADD CONSTRAINT autopay_account_is_sealed CHECK (octet_length(account_sealed) > 30 AND get_byte(account_sealed, 0) = 1);
ALTER TABLE billing_autopaysetup ADD CONSTRAINT autopay_setup_routing CHECK (billing_is_routing_number(bank_routing));
"""

AUTHORISATIONS = """
CREATE FUNCTION billing_autopay_authorisation_stays() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    may_change text[] := ARRAY['ended_at', 'ended_by_id', 'ended_how', 'ended_why', 'document_id', 'account_sealed',
                               'account_index', 'routing_number', 'last_four', 'account_type'];
BEGIN
    IF (to_jsonb(NEW) - may_change) <> (to_jsonb(OLD) - may_change)
       OR (OLD.document_id IS NOT NULL AND NEW.document_id IS DISTINCT FROM OLD.document_id)
       OR (OLD.ended_at IS NOT NULL AND (NEW.ended_at, NEW.ended_how, NEW.ended_why, NEW.ended_by_id, NEW.routing_number,
               NEW.last_four, NEW.account_type)
             IS DISTINCT FROM (OLD.ended_at, OLD.ended_how, OLD.ended_why, OLD.ended_by_id, OLD.routing_number,
               OLD.last_four, OLD.account_type)) THEN
        RAISE EXCEPTION 'Authorisation % is kept as it was given; it can only end, once', OLD.id
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayauthorisation_only_ends BEFORE UPDATE ON billing_autopayauthorisation
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_authorisation_stays();

CREATE FUNCTION billing_autopay_guardian() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM families_guardian g WHERE g.id = NEW.guardian_id AND g.household_id = NEW.household_id) THEN
        RAISE EXCEPTION 'Who authorises is no guardian of household %', NEW.household_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_by_a_guardian';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayauthorisation_by_a_guardian BEFORE INSERT ON billing_autopayauthorisation
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_guardian();
"""

NOTICES = """
ALTER TABLE billing_autopaynotice ADD CONSTRAINT autopay_notice_ten_days CHECK (debit_on - given_on >= 10);
CREATE FUNCTION billing_autopay_notice_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'INSERT' THEN
        IF NOT EXISTS (SELECT FROM billing_autopayauthorisation a
                        WHERE a.id = NEW.authorisation_id AND a.household_id = NEW.household_id AND a.ended_at IS NULL) THEN
            RAISE EXCEPTION 'No authorisation of household % is in force', NEW.household_id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_notice_authorised';
        END IF;
    ELSIF (to_jsonb(NEW) - 'closed_at') <> (to_jsonb(OLD) - 'closed_at') OR OLD.closed_at IS NOT NULL THEN
        RAISE EXCEPTION 'Notice % is kept as it was given', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopaynotice_stays BEFORE INSERT OR UPDATE ON billing_autopaynotice
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_notice_stays();
"""

RUNS = """
CREATE UNIQUE INDEX autopay_run_one_at_a_time ON billing_autopayrun ((true)) WHERE state IN ('waiting', 'ready');
CREATE FUNCTION billing_autopay_run_moves() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.number, NEW.effective_on, NEW.needs_approval, NEW.prepared_at, NEW.prepared_by_id)
       IS DISTINCT FROM (OLD.number, OLD.effective_on, OLD.needs_approval, OLD.prepared_at, OLD.prepared_by_id)
       OR (OLD.sent_at IS NOT NULL AND (NEW.sent_at, NEW.sent_by_id, NEW.deposit_id, NEW.total, NEW.entry_count, NEW.approved_by_id)
             IS DISTINCT FROM (OLD.sent_at, OLD.sent_by_id, OLD.deposit_id, OLD.total, OLD.entry_count, OLD.approved_by_id))
       OR NEW.total > OLD.total
       OR (NEW.state <> OLD.state AND (OLD.state, NEW.state) NOT IN (
            ('waiting', 'ready'), ('waiting', 'cancelled'), ('ready', 'sent'), ('ready', 'cancelled'),
            ('sent', 'settled'), ('sent', 'refused'))) THEN
        RAISE EXCEPTION 'Run % cannot go from % to %, or change what it was', OLD.number, OLD.state, NEW.state
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayrun_moves BEFORE UPDATE ON billing_autopayrun
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_run_moves();

CREATE FUNCTION billing_autopay_run_leaves_whole() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_autopayfile WHERE run_id = NEW.id)
       OR EXISTS (SELECT FROM billing_autopayentry WHERE run_id = NEW.id AND state = 'open')
       OR (SELECT sum(amount) FROM billing_autopayentry WHERE run_id = NEW.id AND state = 'sent') IS DISTINCT FROM NEW.total
       OR (SELECT amount FROM billing_deposit WHERE id = NEW.deposit_id) IS DISTINCT FROM NEW.total THEN
        RAISE EXCEPTION 'Run % leaves whole: its file, its debits and its deposit are one sum', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_run_leaves_whole';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER autopayrun_leaves_whole AFTER UPDATE ON billing_autopayrun DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW WHEN (NEW.state = 'sent' AND OLD.state <> 'sent') EXECUTE FUNCTION billing_autopay_run_leaves_whole();
"""

ENTRIES = """
CREATE FUNCTION billing_autopay_entry_may_be() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    leaves_on date := (SELECT effective_on FROM billing_autopayrun WHERE id = NEW.run_id);
    may_change text[] := ARRAY['state', 'dropped_why', 'trace', 'payment_id', 'routing_number', 'last_four'];
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF OLD.state <> 'open' OR (to_jsonb(NEW) - may_change) <> (to_jsonb(OLD) - may_change) THEN
            RAISE EXCEPTION 'Entry % is kept as it was selected; it leaves or is left out, once', OLD.id
                USING ERRCODE = 'restrict_violation';
        END IF;
        IF NEW.state = 'sent' AND NOT (
            EXISTS (SELECT FROM billing_autopayauthorisation WHERE id = NEW.authorisation_id AND ended_at IS NULL)
            AND EXISTS (SELECT FROM billing_payment p WHERE p.id = NEW.payment_id AND p.household_id = NEW.household_id
                           AND p.amount = NEW.amount AND p.method = 'debit' AND p.received_on = leaves_on)) THEN
            RAISE EXCEPTION 'Entry % leaves only with its payment, while it is authorised', OLD.id
                USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_entry_is_its_payment';
        END IF;
        RETURN NEW;
    END IF;
    IF NOT EXISTS (SELECT FROM billing_autopayauthorisation a
                    WHERE a.id = NEW.authorisation_id AND a.household_id = NEW.household_id AND a.ended_at IS NULL)
       OR (NEW.retry = 0 AND NOT EXISTS (
            SELECT FROM billing_autopaynotice n WHERE n.id = NEW.notice_id AND n.authorisation_id = NEW.authorisation_id
               AND NEW.amount <= n.amount AND n.debit_on <= leaves_on)) THEN
        RAISE EXCEPTION 'Household % is debited only as authorised, on the day and at most the amount it was told',
            NEW.household_id USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_entry_as_told';
    END IF;
    IF NEW.retry > 0 AND NOT EXISTS (
        SELECT FROM billing_autopayentry o JOIN billing_autopayrun r ON r.id = o.run_id
         WHERE o.id = NEW.original_id AND o.retry = 0 AND o.amount = NEW.amount AND o.household_id = NEW.household_id
           AND leaves_on - r.effective_on <= 180
           AND EXISTS (SELECT FROM billing_autopayentry e JOIN billing_autopayreturn b ON b.entry_id = e.id
                        WHERE (e.id = o.id OR e.original_id = o.id) AND e.retry = NEW.retry - 1 AND b.reason IN ('R01', 'R09'))) THEN
        RAISE EXCEPTION 'Only what came back for lack of money is presented again, the same amount, within 180 days'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_entry_again_within_the_rules';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayentry_may_be BEFORE INSERT OR UPDATE ON billing_autopayentry
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_entry_may_be();

CREATE FUNCTION billing_autopay_cover_only_closes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'is_open') <> (to_jsonb(OLD) - 'is_open') OR NOT OLD.is_open THEN
        RAISE EXCEPTION 'Cover % is kept as it was', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopaycover_only_closes BEFORE UPDATE ON billing_autopaycover
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_cover_only_closes();
"""

FILES = """
CREATE FUNCTION billing_autopay_part_only_sealed_anew() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.id, NEW.file_id, NEW.place) IS DISTINCT FROM (OLD.id, OLD.file_id, OLD.place)
       OR octet_length(NEW.sealed) - get_byte(NEW.sealed, 1) <> octet_length(OLD.sealed) - get_byte(OLD.sealed, 1) THEN
        RAISE EXCEPTION 'A file is kept as it left' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayfilepart_only_sealed_anew BEFORE UPDATE ON billing_autopayfilepart
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_part_only_sealed_anew();

CREATE FUNCTION billing_autopay_return_of_its_payment() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_autopayentry e JOIN billing_paymentreturn r ON r.payment_id = e.payment_id
                    WHERE e.id = NEW.entry_id AND r.id = NEW.payment_return_id) THEN
        RAISE EXCEPTION 'A debit that came back takes its own payment back'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'autopay_return_of_its_payment';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER autopayreturn_of_its_payment BEFORE INSERT ON billing_autopayreturn
    FOR EACH ROW EXECUTE FUNCTION billing_autopay_return_of_its_payment();
"""

NO_DELETE = ("autopayauthorisation", "autopaynotice", "autopayrun", "autopayentry", "autopaycover", "autopayfilepart", "autopayanswers")
FROZEN = ("autopayfile", "autopayreturn", "autopaycorrection")


def kept(table: str, events: str) -> str:
    return f"""CREATE TRIGGER {table}_kept BEFORE {events} ON billing_{table}
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0032_autopay")]
    operations = [
        *(migrations.RunSQL(sql) for sql in (ROUTING, AUTHORISATIONS, NOTICES, RUNS, ENTRIES, FILES)),
        *(migrations.RunSQL(kept(table, "DELETE OR TRUNCATE")) for table in NO_DELETE),
        *(migrations.RunSQL(kept(table, "UPDATE OR DELETE OR TRUNCATE")) for table in FROZEN),
    ]

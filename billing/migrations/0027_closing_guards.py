"""What the database holds at the end of a month: clearings that come to zero, packages that stay, reopening by a manager only."""

from django.db import migrations

KEPT = ["clearing", "cleareditem", "closingpackage", "closingfile", "monthreopening"]
NO_CHANGE = """
CREATE TRIGGER {table}_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_{table}
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# What was cleared of an account, and what the entry of the clearing posts there, come to nothing; nothing is cleared before
# it was posted.
CLEARED = """
CREATE FUNCTION billing_clearing_comes_to_zero() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    whole billing_clearing;
    culprit text;
BEGIN
    SELECT * INTO whole FROM billing_clearing
     WHERE id = CASE TG_TABLE_NAME WHEN 'billing_clearing' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                   ELSE (to_jsonb(NEW) ->> 'clearing_id')::bigint END;
    SELECT i.account_id INTO culprit
      FROM (SELECT DISTINCT account_id FROM billing_cleareditem WHERE clearing_id = whole.id) i
     WHERE (SELECT sum(p.amount) FROM billing_cleareditem c
              JOIN billing_posting p ON p.entry_id = c.entry_id AND p.account_id = c.account_id
             WHERE c.clearing_id = whole.id AND c.account_id = i.account_id)
         + (SELECT coalesce(sum(p.amount), 0) FROM billing_posting p
             WHERE p.entry_id = whole.entry_id AND p.account_id = i.account_id) IS DISTINCT FROM 0
     LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Clearing % does not come to zero on account %', whole.id, culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'clearing_comes_to_zero';
    END IF;
    IF NOT EXISTS (SELECT FROM billing_cleareditem WHERE clearing_id = whole.id) OR EXISTS (
       SELECT FROM billing_cleareditem c JOIN billing_journalentry e ON e.id = c.entry_id
        WHERE c.clearing_id = whole.id AND e.entry_on > whole.cleared_on) THEN
        RAISE EXCEPTION 'Clearing % clears nothing, or what was posted after its day', whole.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'clearing_after_its_items';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER clearing_comes_to_zero AFTER INSERT ON billing_clearing
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_clearing_comes_to_zero();
CREATE CONSTRAINT TRIGGER cleareditem_comes_to_zero AFTER INSERT ON billing_cleareditem
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_clearing_comes_to_zero();
"""

WAIVERS = """
CREATE FUNCTION billing_waiver_only_withdrawn() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.withdrawn_at IS NOT NULL
       OR (to_jsonb(NEW) - '{withdrawn_at,withdrawn_by_id}'::text[]) <> (to_jsonb(OLD) - '{withdrawn_at,withdrawn_by_id}'::text[]) THEN
        RAISE EXCEPTION 'A waiver is kept as it was given; it can only be withdrawn, once' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER closingwaiver_only_withdrawn BEFORE UPDATE ON billing_closingwaiver
    FOR EACH ROW EXECUTE FUNCTION billing_waiver_only_withdrawn();
CREATE TRIGGER closingwaiver_kept BEFORE DELETE OR TRUNCATE ON billing_closingwaiver
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# A closed month and its totals go only by a reopening that names this very closing; nobody has the right to remove them otherwise.
REOPENED = """
DROP TRIGGER closedmonth_kept ON billing_closedmonth;
CREATE TRIGGER closedmonth_kept BEFORE UPDATE OR TRUNCATE ON billing_closedmonth
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
DROP TRIGGER monthtotal_kept ON billing_monthtotal;
CREATE TRIGGER monthtotal_kept BEFORE UPDATE OR TRUNCATE ON billing_monthtotal
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_month_goes_by_reopening() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    month date := CASE TG_TABLE_NAME WHEN 'billing_closedmonth' THEN (to_jsonb(OLD) ->> 'first_day')::date
                                     ELSE (to_jsonb(OLD) ->> 'month_id')::date END;
BEGIN
    IF NOT EXISTS (SELECT FROM billing_closedmonth m JOIN billing_monthreopening r USING (first_day, closed_at)
                    WHERE m.first_day = month) THEN
        RAISE EXCEPTION 'DELETE of % is refused: a closed month is kept as it was written', TG_TABLE_NAME
            USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN OLD;
END $$;
CREATE TRIGGER closedmonth_goes_by_reopening BEFORE DELETE ON billing_closedmonth
    FOR EACH ROW EXECUTE FUNCTION billing_month_goes_by_reopening();
CREATE TRIGGER monthtotal_goes_by_reopening BEFORE DELETE ON billing_monthtotal
    FOR EACH ROW EXECUTE FUNCTION billing_month_goes_by_reopening();

CREATE FUNCTION billing_reopen_month() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('billing.months'));
    IF NOT EXISTS (SELECT FROM billing_closedmonth m WHERE m.first_day = NEW.first_day AND m.closed_at = NEW.closed_at
                      AND m.closed_by_id = NEW.closed_by_id AND m.entry_count = NEW.entry_count AND m.debits = NEW.debits
                      AND m.first_day = (SELECT max(first_day) FROM billing_closedmonth)) THEN
        RAISE EXCEPTION 'Only the month that was closed last can be reopened, as it was closed'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reopening_of_the_last_month';
    END IF;
    IF NOT EXISTS (SELECT FROM staff_user u WHERE u.id = NEW.reopened_by_id AND u.role = 'manager') THEN
        RAISE EXCEPTION 'Only a manager reopens a month' USING ERRCODE = 'check_violation', CONSTRAINT = 'reopened_by_a_manager';
    END IF;
    DELETE FROM billing_monthtotal WHERE month_id = NEW.first_day;
    DELETE FROM billing_closedmonth WHERE first_day = NEW.first_day;
    RETURN NULL;
END $$;
CREATE TRIGGER monthreopening_opens AFTER INSERT ON billing_monthreopening
    FOR EACH ROW EXECUTE FUNCTION billing_reopen_month();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0026_closing")]
    operations = [
        *(migrations.RunSQL(NO_CHANGE.format(table=table)) for table in KEPT),
        *(migrations.RunSQL(sql) for sql in (CLEARED, WAIVERS, REOPENED)),
    ]

"""What the database holds of a clearing that is undone: whole, once, in an open month, and nothing else of it ever changes."""

from django.db import migrations

# A clearing and its items are kept as they were written; only that they were undone is added, once.
ONLY_UNDONE = """
DROP TRIGGER {table}_kept ON billing_{table};
CREATE TRIGGER {table}_kept BEFORE DELETE OR TRUNCATE ON billing_{table}
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER {table}_only_undone BEFORE INSERT OR UPDATE ON billing_{table}
    FOR EACH ROW EXECUTE FUNCTION billing_clearing_only_undone();
"""
FUNCTION = """
CREATE FUNCTION billing_clearing_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    later text[] := ARRAY['undone_on', 'undo_entry_id', 'undone_why', 'undone_at', 'undone_by_id'];
BEGIN
    IF TG_OP = 'INSERT' AND NEW.undone_on IS NOT NULL
       OR TG_OP = 'UPDATE' AND (OLD.undone_on IS NOT NULL OR (to_jsonb(NEW) - later) <> (to_jsonb(OLD) - later)) THEN
        RAISE EXCEPTION 'A clearing is kept as it was made; it can only be undone, once' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
"""

# Posting takes the key shared, closing takes it alone: what a closed month was explained by stays.
OPEN_MONTH = """
CREATE FUNCTION billing_clearing_in_open_month() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock_shared(hashtext('billing.months'));
    IF coalesce(NEW.undone_on, NEW.cleared_on) < (SELECT max(first_day) + interval '1 month' FROM billing_closedmonth) THEN
        RAISE EXCEPTION 'Nothing is cleared, or undone, in a closed month'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'clearing_in_open_month';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER clearing_in_open_month BEFORE INSERT OR UPDATE ON billing_clearing
    FOR EACH ROW EXECUTE FUNCTION billing_clearing_in_open_month();
"""

# Undone with all its items, on one day, by the entry that takes back its own and is of that day.
WHOLE = """
CREATE FUNCTION billing_clearing_undone_whole() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    whole billing_clearing;
BEGIN
    SELECT * INTO whole FROM billing_clearing
     WHERE id = CASE TG_TABLE_NAME WHEN 'billing_clearing' THEN (to_jsonb(NEW) ->> 'id')::bigint
                                   ELSE (to_jsonb(NEW) ->> 'clearing_id')::bigint END;
    IF EXISTS (SELECT FROM billing_cleareditem i WHERE i.clearing_id = whole.id AND i.undone_on IS DISTINCT FROM whole.undone_on)
       OR (whole.undone_on IS NOT NULL AND whole.entry_id IS NOT NULL AND NOT EXISTS (
           SELECT FROM billing_journalentry e
            WHERE e.id = whole.undo_entry_id AND e.reverses_id = whole.entry_id AND e.entry_on = whole.undone_on)) THEN
        RAISE EXCEPTION 'Clearing % is undone with all its items and its entry, or not at all', whole.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'clearing_undone_whole';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER clearing_undone_whole AFTER UPDATE ON billing_clearing
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_clearing_undone_whole();
CREATE CONSTRAINT TRIGGER cleareditem_undone_whole AFTER INSERT OR UPDATE ON billing_cleareditem
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_clearing_undone_whole();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0039_clearing_undone")]
    operations = [
        migrations.RunSQL(FUNCTION),
        *(migrations.RunSQL(ONLY_UNDONE.format(table=table)) for table in ("clearing", "cleareditem")),
        migrations.RunSQL(OPEN_MONTH),
        migrations.RunSQL(WHOLE),
    ]

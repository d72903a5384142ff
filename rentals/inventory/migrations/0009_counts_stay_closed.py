"""A closed count is kept as it was closed; a scan only gets undone; a settlement is made once, unless things were left as they were."""

from django.db import migrations

GUARDS = """
CREATE FUNCTION inventory_count_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.closed_at IS NOT NULL THEN
        RAISE EXCEPTION 'Count % is closed and stays as it is', OLD.id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'closed_count_stays';
    END IF;
    IF (NEW.location_id, NEW.kinds, NEW.note, NEW.opened_at, NEW.opened_by_id)
       IS DISTINCT FROM (OLD.location_id, OLD.kinds, OLD.note, OLD.opened_at, OLD.opened_by_id) THEN
        RAISE EXCEPTION 'Count % keeps its shop, its kinds and its beginning', OLD.id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'count_keeps_its_scope';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER stockcount_stays BEFORE UPDATE ON inventory_stockcount FOR EACH ROW EXECUTE FUNCTION inventory_count_stays();

CREATE FUNCTION inventory_count_is_open() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM added a JOIN inventory_stockcount c ON c.id = a.count_id WHERE c.closed_at IS NOT NULL) THEN
        RAISE EXCEPTION 'A closed count takes nothing more'
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'closed_count_takes_nothing';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER countscan_count_is_open AFTER INSERT ON inventory_countscan REFERENCING NEW TABLE AS added
    FOR EACH STATEMENT EXECUTE FUNCTION inventory_count_is_open();
CREATE TRIGGER countscan_changed_in_open AFTER UPDATE ON inventory_countscan REFERENCING NEW TABLE AS added
    FOR EACH STATEMENT EXECUTE FUNCTION inventory_count_is_open();
CREATE TRIGGER countsettlement_count_is_open AFTER INSERT ON inventory_countsettlement REFERENCING NEW TABLE AS added
    FOR EACH STATEMENT EXECUTE FUNCTION inventory_count_is_open();
CREATE TRIGGER countsettlement_changed_in_open AFTER UPDATE ON inventory_countsettlement REFERENCING NEW TABLE AS added
    FOR EACH STATEMENT EXECUTE FUNCTION inventory_count_is_open();

CREATE FUNCTION inventory_scan_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.undone_at IS NOT NULL OR NEW.undone_at IS NULL
       OR (to_jsonb(NEW) - '{undone_at,undone_by_id}'::text[]) <> (to_jsonb(OLD) - '{undone_at,undone_by_id}'::text[]) THEN
        RAISE EXCEPTION 'Scan % is kept as it was made; it can only be undone, once', OLD.id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'scan_only_undone';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER countscan_only_undone BEFORE UPDATE ON inventory_countscan
    FOR EACH ROW EXECUTE FUNCTION inventory_scan_only_undone();

CREATE FUNCTION inventory_settled_once() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.how <> 'left' OR (NEW.count_id, NEW.scan_id, NEW.instrument_id) IS DISTINCT FROM (OLD.count_id, OLD.scan_id, OLD.instrument_id)
    THEN
        RAISE EXCEPTION 'Settlement % stands', OLD.id USING ERRCODE = 'restrict_violation', CONSTRAINT = 'settled_once';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER countsettlement_settled_once BEFORE UPDATE ON inventory_countsettlement
    FOR EACH ROW EXECUTE FUNCTION inventory_settled_once();

CREATE FUNCTION inventory_counts_are_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'Counts are kept' USING ERRCODE = 'restrict_violation', CONSTRAINT = 'counts_are_kept';
END $$;
CREATE TRIGGER stockcount_kept BEFORE DELETE ON inventory_stockcount FOR EACH STATEMENT EXECUTE FUNCTION inventory_counts_are_kept();
CREATE TRIGGER countscan_kept BEFORE DELETE ON inventory_countscan FOR EACH STATEMENT EXECUTE FUNCTION inventory_counts_are_kept();
CREATE TRIGGER countsettlement_kept BEFORE DELETE ON inventory_countsettlement
    FOR EACH STATEMENT EXECUTE FUNCTION inventory_counts_are_kept();
"""

UNDO = """
DROP TRIGGER stockcount_stays ON inventory_stockcount;
DROP TRIGGER stockcount_kept ON inventory_stockcount;
DROP TRIGGER countscan_count_is_open ON inventory_countscan;
DROP TRIGGER countscan_changed_in_open ON inventory_countscan;
DROP TRIGGER countscan_only_undone ON inventory_countscan;
DROP TRIGGER countscan_kept ON inventory_countscan;
DROP TRIGGER countsettlement_count_is_open ON inventory_countsettlement;
DROP TRIGGER countsettlement_changed_in_open ON inventory_countsettlement;
DROP TRIGGER countsettlement_settled_once ON inventory_countsettlement;
DROP TRIGGER countsettlement_kept ON inventory_countsettlement;
DROP FUNCTION inventory_count_stays, inventory_count_is_open, inventory_scan_only_undone, inventory_settled_once, inventory_counts_are_kept;
"""


class Migration(migrations.Migration):
    dependencies = [("inventory", "0008_stock_counts")]
    operations = [migrations.RunSQL(GUARDS, UNDO)]

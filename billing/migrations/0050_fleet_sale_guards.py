"""A sale of an instrument is what its charge posts, is kept as it was made, and can only be undone, once."""

from django.db import migrations

SALES = """
CREATE FUNCTION billing_sale_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.undone_at IS NOT NULL OR NOT EXISTS (
        SELECT FROM billing_charge c WHERE c.id = NEW.charge_id AND c.kind = 'purchase' AND c.household_id = NEW.household_id
           AND c.void_entry_id IS NULL AND billing_posted_to(c.entry_id, '4500') = -NEW.price
           AND billing_posted_to(c.entry_id, '2100') = -NEW.tax) THEN
        RAISE EXCEPTION 'The sale of instrument % is not what its charge posts', NEW.instrument_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'fleet_sale_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER fleetsale_equals_entry BEFORE INSERT ON billing_fleetsale
    FOR EACH ROW EXECUTE FUNCTION billing_sale_equals_entry();

CREATE FUNCTION billing_sale_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.undone_at IS NOT NULL OR NEW.undone_at IS NULL
       OR (to_jsonb(NEW) - '{undone_at,undone_by_id,undone_because}'::text[])
          <> (to_jsonb(OLD) - '{undone_at,undone_by_id,undone_because}'::text[]) THEN
        RAISE EXCEPTION 'Sale % is kept as it was made; it can only be undone, once', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER fleetsale_only_undone BEFORE UPDATE ON billing_fleetsale
    FOR EACH ROW EXECUTE FUNCTION billing_sale_only_undone();

CREATE FUNCTION billing_sale_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'Sale % is kept: undo it instead', OLD.id USING ERRCODE = 'restrict_violation';
END $$;
CREATE TRIGGER fleetsale_kept BEFORE DELETE ON billing_fleetsale
    FOR EACH ROW EXECUTE FUNCTION billing_sale_kept();
"""

AWAY = """
DROP TRIGGER fleetsale_kept ON billing_fleetsale;
DROP FUNCTION billing_sale_kept();
DROP TRIGGER fleetsale_only_undone ON billing_fleetsale;
DROP FUNCTION billing_sale_only_undone();
DROP TRIGGER fleetsale_equals_entry ON billing_fleetsale;
DROP FUNCTION billing_sale_equals_entry();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0049_fleet_sales")]
    operations = [migrations.RunSQL(SALES, AWAY)]

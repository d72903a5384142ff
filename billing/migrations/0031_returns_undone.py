"""A return goes only when its entry was undone; everything else that was written of it stays."""

from django.db import migrations

GUARD = """
DROP TRIGGER paymentreturn_kept ON billing_paymentreturn;
CREATE TRIGGER paymentreturn_kept BEFORE UPDATE OR TRUNCATE ON billing_paymentreturn
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_return_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_journalentry WHERE reverses_id = OLD.entry_id) THEN
        RAISE EXCEPTION 'The return of payment % stands in the books: undo its entry first', OLD.payment_id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'return_undone_by_its_entry';
    END IF;
    RETURN OLD;
END $$;
CREATE TRIGGER paymentreturn_only_undone BEFORE DELETE ON billing_paymentreturn
    FOR EACH ROW EXECUTE FUNCTION billing_return_only_undone();

CREATE FUNCTION billing_undone_return_is_gone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_paymentreturn WHERE entry_id = NEW.reverses_id) THEN
        RAISE EXCEPTION 'Entry % is the return of a payment, which still counts as returned', NEW.reverses_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'undone_return_is_gone';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER journalentry_undone_return_is_gone AFTER INSERT ON billing_journalentry
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.reverses_id IS NOT NULL)
    EXECUTE FUNCTION billing_undone_return_is_gone();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0030_payers_and_matching_runs")]
    operations = [migrations.RunSQL(GUARD)]

"""A reconciliation is kept as it was saved, and said then what the ledger said."""

from django.db import migrations

SAVED = """
CREATE FUNCTION billing_reconciliation_is_of_the_ledger() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    posted numeric;
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('billing.months'));
    SELECT coalesce(sum(p.amount), 0) INTO posted FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
     WHERE p.account_id = (SELECT books_id FROM billing_bankaccount WHERE id = NEW.account_id) AND e.entry_on <= NEW."on";
    IF posted <> NEW.books THEN
        RAISE EXCEPTION 'The ledger says % on %, not %', posted, NEW."on", NEW.books
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reconciliation_of_the_ledger';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER bankreconciliation_of_the_ledger BEFORE INSERT ON billing_bankreconciliation
    FOR EACH ROW EXECUTE FUNCTION billing_reconciliation_is_of_the_ledger();
CREATE TRIGGER bankreconciliation_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_bankreconciliation
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0028_bank_reconciliations")]
    operations = [migrations.RunSQL(SAVED)]

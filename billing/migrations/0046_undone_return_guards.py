"""A return is never deleted: it is undone once, by the entry that undoes its own, and stays with who and when."""

from django.db import migrations

# Before this, an undone return was deleted; the journal kept both entries, and from them the rows are written again.
WRITTEN_AGAIN = """
INSERT INTO billing_paymentreturn (kind, payment_id, undone_payment_id, returned_on, reason, entry_id, made_at, made_by_id,
                                   undone_at, undone_by_id, undo_entry_id)
SELECT 'bank', NULL, split_part(e.source, '/', 2)::bigint, e.entry_on,
       left(coalesce(nullif(substring(e.memo FROM ': (.*)$'), ''), e.memo), 120), e.id, e.made_at, e.made_by_id,
       u.made_at, u.made_by_id, u.id
  FROM billing_journalentry e JOIN billing_journalentry u ON u.reverses_id = e.id
 WHERE e.kind = 'returned_payment' AND e.source LIKE 'payment-return/%'
   AND NOT EXISTS (SELECT FROM billing_paymentreturn r WHERE r.entry_id = e.id)
 ORDER BY e.id;
SET CONSTRAINTS ALL IMMEDIATE;
"""

GUARD = """
DROP TRIGGER paymentreturn_only_undone ON billing_paymentreturn;
DROP TRIGGER paymentreturn_kept ON billing_paymentreturn;
CREATE TRIGGER paymentreturn_kept BEFORE DELETE OR TRUNCATE ON billing_paymentreturn
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE OR REPLACE FUNCTION billing_return_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    undoing text[] := ARRAY['payment_id', 'undone_payment_id', 'undone_at', 'undone_by_id', 'undo_entry_id'];
BEGIN
    IF OLD.undone_at IS NOT NULL OR NEW.undone_at IS NULL OR NEW.undone_payment_id IS DISTINCT FROM OLD.payment_id
       OR (to_jsonb(NEW) - undoing) <> (to_jsonb(OLD) - undoing) THEN
        RAISE EXCEPTION 'Return % is kept as it was written down; it can only be undone, once', OLD.id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'return_only_undone';
    END IF;
    IF NOT EXISTS (SELECT FROM billing_journalentry WHERE id = NEW.undo_entry_id AND reverses_id = OLD.entry_id) THEN
        RAISE EXCEPTION 'The return of payment % stands in the books: undo its entry first', OLD.payment_id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'return_undone_by_its_entry';
    END IF;
    IF EXISTS (SELECT FROM billing_autopayreturn WHERE payment_return_id = OLD.id)
       OR EXISTS (SELECT FROM billing_cardtakenback WHERE payment_return_id = OLD.id) THEN
        RAISE EXCEPTION 'Something else goes by the return of payment %, so it stays', OLD.payment_id
            USING ERRCODE = 'restrict_violation', CONSTRAINT = 'return_gone_by_stays';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER paymentreturn_only_undone BEFORE UPDATE ON billing_paymentreturn
    FOR EACH ROW EXECUTE FUNCTION billing_return_only_undone();

CREATE FUNCTION billing_return_begins_standing() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'A return is written down while it stands, and undone later'
        USING ERRCODE = 'check_violation', CONSTRAINT = 'return_begins_standing';
END $$;
CREATE TRIGGER paymentreturn_begins_standing BEFORE INSERT ON billing_paymentreturn
    FOR EACH ROW WHEN (NEW.payment_id IS NULL) EXECUTE FUNCTION billing_return_begins_standing();

CREATE OR REPLACE FUNCTION billing_undone_return_is_gone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_paymentreturn WHERE entry_id = NEW.reverses_id AND undone_at IS NULL) THEN
        RAISE EXCEPTION 'Entry % is the return of a payment, which still counts as returned', NEW.reverses_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'undone_return_is_gone';
    END IF;
    RETURN NULL;
END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0045_undone_returns_stay")]
    operations = [migrations.RunSQL(WRITTEN_AGAIN), migrations.RunSQL(GUARD)]

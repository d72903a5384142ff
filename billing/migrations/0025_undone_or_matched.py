"""An entry is undone or matched, never both: who comes second waits for the first, then is refused.

Money between two accounts meets a line at each, so one person may undo it at the one while another matches it at the other.
"""

from django.db import migrations

# At its end a match holds a share of its entry's row and whoever undoes the entry holds it whole, each before looking for the
# other. The application may not lock entries by itself, therefore SECURITY DEFINER.
GUARDS = """
CREATE OR REPLACE FUNCTION billing_reversed_is_not_matched() RETURNS trigger LANGUAGE plpgsql
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    PERFORM FROM billing_journalentry WHERE id = NEW.reverses_id FOR UPDATE;
    IF EXISTS (SELECT FROM billing_bankmatch m
                 LEFT JOIN billing_deposit d ON d.id = m.deposit_id LEFT JOIN billing_payment p ON p.id = m.payment_id
                WHERE m.undone_at IS NULL AND NEW.reverses_id IN (m.entry_id, d.entry_id, p.entry_id)) THEN
        RAISE EXCEPTION 'Entry % is matched with the bank: undo the match first', NEW.reverses_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reversed_entry_is_not_matched';
    END IF;
    RETURN NULL;
END $$;

CREATE OR REPLACE FUNCTION billing_line_matched_to_the_cent() RETURNS trigger LANGUAGE plpgsql
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    matched numeric;
BEGIN
    SELECT sum(amount) INTO matched FROM billing_bankmatch WHERE line_id = NEW.line_id AND undone_at IS NULL;
    IF matched <> (SELECT amount FROM billing_bankline WHERE id = NEW.line_id) THEN
        RAISE EXCEPTION 'Bank line % is matched with %, which is not its amount', NEW.line_id, matched
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_line_to_the_cent';
    END IF;
    PERFORM FROM billing_journalentry WHERE id = NEW.entry_id FOR KEY SHARE;
    IF NEW.entry_id IS NOT NULL AND EXISTS (SELECT FROM billing_bankmatch WHERE id = NEW.id AND undone_at IS NULL)
       AND EXISTS (SELECT FROM billing_journalentry WHERE reverses_id = NEW.entry_id) THEN
        RAISE EXCEPTION 'Entry % was undone', NEW.entry_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_of_what_stands';
    END IF;
    RETURN NULL;
END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0024_overdue_step_guards")]
    operations = [migrations.RunSQL(GUARDS)]

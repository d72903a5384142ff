"""What the database refuses of the bank's side: lines stay, and each is matched to the cent or not at all."""

from django.db import migrations

KEPT = """
CREATE TRIGGER bankstatement_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_bankstatement
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER bankline_kept BEFORE DELETE OR TRUNCATE ON billing_bankline
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER bankmatch_kept BEFORE DELETE OR TRUNCATE ON billing_bankmatch
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_bankline_only_left_out() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'left_out_at') <> (to_jsonb(OLD) - 'left_out_at') THEN
        RAISE EXCEPTION 'Bank line % is kept as the bank wrote it; it can only be left out or taken up again', OLD.id
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NEW.left_out_at IS NOT NULL AND EXISTS (SELECT FROM billing_bankmatch WHERE line_id = NEW.id AND undone_at IS NULL) THEN
        RAISE EXCEPTION 'Bank line % is matched, so it cannot be left out', OLD.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_line_left_out_is_open';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER bankline_only_left_out BEFORE UPDATE ON billing_bankline
    FOR EACH ROW EXECUTE FUNCTION billing_bankline_only_left_out();
"""

# 1010 is the bank in the chart of accounts.
AMOUNTS = """
CREATE FUNCTION billing_bank_part(entry bigint) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE entry_id = entry AND account_id = '1010'
$$;

CREATE FUNCTION billing_match_is_what_it_names() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    entry bigint;
BEGIN
    -- Locked before adding up at the end, so that two who match the same line at once cannot both pass.
    IF (SELECT left_out_at FROM billing_bankline WHERE id = NEW.line_id FOR NO KEY UPDATE) IS NOT NULL THEN
        RAISE EXCEPTION 'Bank line % is left out', NEW.line_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_of_a_line_that_counts';
    END IF;
    entry := coalesce(NEW.entry_id, (SELECT entry_id FROM billing_deposit WHERE id = NEW.deposit_id),
                      (SELECT entry_id FROM billing_payment WHERE id = NEW.payment_id));
    IF NEW.amount <> billing_bank_part(entry) THEN
        RAISE EXCEPTION 'The match is %, what it names moved % at the bank', NEW.amount, billing_bank_part(entry)
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_is_what_it_names';
    END IF;
    IF NEW.entry_id IS NOT NULL AND (EXISTS (SELECT FROM billing_deposit d WHERE d.entry_id = NEW.entry_id)
                                  OR EXISTS (SELECT FROM billing_payment p WHERE p.entry_id = NEW.entry_id)) THEN
        RAISE EXCEPTION 'Entry % belongs to a deposit or a payment: match that', NEW.entry_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_names_the_deposit';
    END IF;
    IF EXISTS (SELECT FROM billing_journalentry e WHERE e.reverses_id = entry OR (e.id = entry AND e.reverses_id IS NOT NULL)) THEN
        RAISE EXCEPTION 'Entry % was undone', entry USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_of_what_stands';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER bankmatch_is_what_it_names BEFORE INSERT ON billing_bankmatch
    FOR EACH ROW EXECUTE FUNCTION billing_match_is_what_it_names();

CREATE FUNCTION billing_line_matched_to_the_cent() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    matched numeric;
BEGIN
    SELECT sum(amount) INTO matched FROM billing_bankmatch WHERE line_id = NEW.line_id AND undone_at IS NULL;
    IF matched <> (SELECT amount FROM billing_bankline WHERE id = NEW.line_id) THEN
        RAISE EXCEPTION 'Bank line % is matched with %, which is not its amount', NEW.line_id, matched
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_line_to_the_cent';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER bankmatch_to_the_cent AFTER INSERT OR UPDATE ON billing_bankmatch
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_line_matched_to_the_cent();

CREATE FUNCTION billing_match_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - '{undone_at,undone_by_id,undo_entry_id}'::text[])
       <> (to_jsonb(OLD) - '{undone_at,undone_by_id,undo_entry_id}'::text[]) OR OLD.undone_at IS NOT NULL THEN
        RAISE EXCEPTION 'Match % is kept as it was made; it can only be undone, once', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER bankmatch_only_undone BEFORE UPDATE ON billing_bankmatch
    FOR EACH ROW EXECUTE FUNCTION billing_match_only_undone();

CREATE FUNCTION billing_reversed_is_not_matched() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_bankmatch m
                 LEFT JOIN billing_deposit d ON d.id = m.deposit_id LEFT JOIN billing_payment p ON p.id = m.payment_id
                WHERE m.undone_at IS NULL AND NEW.reverses_id IN (m.entry_id, d.entry_id, p.entry_id)) THEN
        RAISE EXCEPTION 'Entry % is matched with the bank: undo the match first', NEW.reverses_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reversed_entry_is_not_matched';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER journalentry_reversed_is_not_matched AFTER INSERT ON billing_journalentry
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.reverses_id IS NOT NULL)
    EXECUTE FUNCTION billing_reversed_is_not_matched();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0005_bank_files")]
    operations = [migrations.RunSQL(sql) for sql in (KEPT, AMOUNTS)]

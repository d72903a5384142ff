"""What the database refuses of accounts at banks: whose books they are, where deposits go, what a match is at its own account."""

from django.db import migrations

ACCOUNTS = """
CREATE FUNCTION billing_bank_account_has_books() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND NEW.books_id <> OLD.books_id THEN
        RAISE EXCEPTION 'The books of bank account % stay what they are: entries stand in them', OLD.id
            USING ERRCODE = 'restrict_violation';
    END IF;
    IF NOT (SELECT is_bank FROM billing_account WHERE code = NEW.books_id) THEN
        RAISE EXCEPTION 'Account % of the ledger does not stand for an account at a bank', NEW.books_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_account_has_books';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER bankaccount_has_books BEFORE INSERT OR UPDATE OF books_id ON billing_bankaccount
    FOR EACH ROW EXECUTE FUNCTION billing_bank_account_has_books();

CREATE FUNCTION billing_account_stays_a_bank() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.is_bank <> NEW.is_bank AND EXISTS (SELECT FROM billing_posting WHERE account_id = OLD.code) THEN
        RAISE EXCEPTION 'Account % has entries: what it stands for stays', OLD.code USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER account_stays_a_bank BEFORE UPDATE OF is_bank ON billing_account
    FOR EACH ROW EXECUTE FUNCTION billing_account_stays_a_bank();

CREATE FUNCTION billing_deposits_go_somewhere() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM billing_bankaccount) AND NOT EXISTS (SELECT FROM billing_bankaccount WHERE takes_deposits) THEN
        RAISE EXCEPTION 'One bank account takes the deposits'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'one_bank_account_takes_deposits';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER bankaccount_takes_deposits AFTER INSERT OR UPDATE OR DELETE ON billing_bankaccount
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_deposits_go_somewhere();
"""

MATCHES = """
CREATE FUNCTION billing_bank_part(entry bigint, books varchar) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE entry_id = entry AND account_id = books
$$;

CREATE OR REPLACE FUNCTION billing_match_is_what_it_names() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    entry bigint;
    line record;
BEGIN
    -- Locked before adding up at the end, so that two who match the same line at once cannot both pass.
    SELECT l.left_out_at, b.books_id INTO line FROM billing_bankline l JOIN billing_bankaccount b ON b.id = l.account_id
     WHERE l.id = NEW.line_id FOR NO KEY UPDATE OF l;
    IF line.left_out_at IS NOT NULL THEN
        RAISE EXCEPTION 'Bank line % is left out', NEW.line_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_of_a_line_that_counts';
    END IF;
    NEW.books_id := coalesce(NEW.books_id, line.books_id);
    IF NEW.books_id <> line.books_id THEN
        RAISE EXCEPTION 'Bank line % is of account %, not of %', NEW.line_id, line.books_id, NEW.books_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'bank_match_at_the_lines_account';
    END IF;
    entry := coalesce(NEW.entry_id, (SELECT entry_id FROM billing_deposit WHERE id = NEW.deposit_id),
                      (SELECT entry_id FROM billing_payment WHERE id = NEW.payment_id));
    IF NEW.amount <> billing_bank_part(entry, NEW.books_id) THEN
        RAISE EXCEPTION 'The match is %, what it names moved % at that account', NEW.amount, billing_bank_part(entry, NEW.books_id)
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

DROP FUNCTION billing_bank_part(bigint);
"""

# A refund is what its entry took out of an account at a bank, or of what is on hand.
REFUNDS = """
CREATE OR REPLACE FUNCTION billing_refund_equals_entry() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (
        SELECT FROM billing_charge c JOIN billing_posting p ON p.entry_id = c.entry_id
          JOIN billing_account a ON a.code = p.account_id
         WHERE c.id = NEW.charge_id AND c.kind = 'refund'
           AND CASE NEW.method WHEN 'cash' THEN a.code = '1000' ELSE a.is_bank END
           AND p.amount = -billing_owed_by(c.entry_id, c.household_id)) THEN
        RAISE EXCEPTION 'Refund % is not what its entry paid out', NEW.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'refund_equals_entry';
    END IF;
    RETURN NEW;
END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0018_books_of_bank_accounts")]
    operations = [migrations.RunSQL(sql) for sql in (ACCOUNTS, MATCHES, REFUNDS)]

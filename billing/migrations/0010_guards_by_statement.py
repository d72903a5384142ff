"""The same refusals as before, asked once a statement and not once a row: what a monthly run writes is checked in one pass.

Rows that a run writes lie close together, so a stretch of an index is read instead of looking every row up; where the rows of
a statement are scattered, each is looked up. The functions choose their plans without statistics, because a run fills tables
faster than these are renewed: every table is read by its index, and joined by hashing.
"""

from django.db import migrations

BY_INDEX = "SET enable_nestloop = off SET enable_seqscan = off"

BALANCE = f"""
CREATE FUNCTION billing_reversals_mirror(entries bigint[]) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT e.id INTO culprit
      FROM billing_journalentry e, LATERAL (SELECT * FROM billing_posting p WHERE p.entry_id IN (e.id, e.reverses_id)) p
     WHERE e.id = ANY (entries) AND e.reverses_id IS NOT NULL
     GROUP BY e.id, p.account_id, p.household_id HAVING sum(p.amount) <> 0 LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % does not undo the entry it names', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'reversal_mirrors_its_entry';
    END IF;
END $$;

CREATE OR REPLACE FUNCTION billing_postings_balance() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    culprit bigint;
    low bigint;
    high bigint;
    many bigint;
    is_close boolean;
BEGIN
    SELECT entry_id INTO culprit FROM fresh GROUP BY entry_id HAVING count(*) < 2 OR sum(amount) <> 0 LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % does not balance, or has fewer than two postings', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_balances';
    END IF;
    SELECT entry_id INTO culprit FROM fresh
     WHERE household_id IS NULL AND account_id = (SELECT code FROM billing_account WHERE is_receivable) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % posts to what families owe without naming the household', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'receivable_names_household';
    END IF;
    SELECT min(entry_id), max(entry_id), count(*) INTO low, high, many FROM fresh;
    is_close := high - low < 2 * many + 1000;
    -- The stretch holds nothing but what was written now, unless others wrote between: then every entry is counted by itself.
    IF NOT is_close OR (SELECT count(*) FROM billing_posting WHERE entry_id BETWEEN low AND high) <> many THEN
        SELECT f.entry_id INTO culprit FROM (SELECT entry_id, count(*) AS n FROM fresh GROUP BY entry_id) f
         WHERE f.n <> (SELECT count(*) FROM billing_posting p WHERE p.entry_id = f.entry_id) LIMIT 1;
        IF FOUND THEN
            RAISE EXCEPTION 'Entry % has its postings already', culprit
                USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_is_written_once';
        END IF;
    END IF;
    IF NOT is_close OR EXISTS (SELECT FROM billing_journalentry WHERE id BETWEEN low AND high AND reverses_id IS NOT NULL) THEN
        PERFORM billing_reversals_mirror(array_agg(DISTINCT entry_id)) FROM fresh;
    END IF;
    RETURN NULL;
END $$;
"""

# Nothing but a constraint trigger can wait for the end of a transaction, and it waits row by row. So only entries that were
# written before their postings are noted, and each is looked at when the transaction ends; the table is empty after that.
POSTINGS = """
CREATE UNLOGGED TABLE billing_entrytofill (entry_id bigint PRIMARY KEY);

DROP TRIGGER journalentry_has_postings ON billing_journalentry;
DROP FUNCTION billing_entry_has_postings();
CREATE FUNCTION billing_entries_have_postings() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO billing_entrytofill (entry_id)
    SELECT f.id FROM fresh f WHERE (SELECT true FROM billing_posting p WHERE p.entry_id = f.id LIMIT 1) IS NULL;
    IF EXISTS (SELECT FROM fresh WHERE reverses_id IS NOT NULL) THEN
        PERFORM billing_reversals_mirror(array_agg(f.id)) FROM fresh f
          WHERE f.reverses_id IS NOT NULL AND EXISTS (SELECT FROM billing_posting p WHERE p.entry_id = f.id);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER journalentry_has_postings AFTER INSERT ON billing_journalentry
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_entries_have_postings();

CREATE FUNCTION billing_entry_was_filled() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM billing_posting WHERE entry_id = NEW.entry_id) THEN
        RAISE EXCEPTION 'Entry % has no postings', NEW.entry_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_has_postings';
    END IF;
    DELETE FROM billing_entrytofill WHERE entry_id = NEW.entry_id;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER entrytofill_was_filled AFTER INSERT ON billing_entrytofill
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_entry_was_filled();
"""

LINES = f"""
CREATE OR REPLACE FUNCTION billing_lines_equal_entry() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    culprit bigint;
    owed text := (SELECT code FROM billing_account WHERE is_receivable);
    low bigint;
    high bigint;
    many bigint;
    first_entry bigint;
    last_entry bigint;
BEGIN
    SELECT min(charge_id), max(charge_id), count(*) INTO low, high, many FROM fresh;
    IF high - low < 2 * many + 1000 THEN
        SELECT min(entry_id), max(entry_id) INTO first_entry, last_entry FROM billing_charge WHERE id BETWEEN low AND high;
    END IF;
    IF last_entry - first_entry < 4 * many + 1000 THEN
        SELECT c.id INTO culprit
          FROM billing_charge c
          JOIN (SELECT charge_id, sum(amount) AS amount FROM billing_chargeline
                 WHERE charge_id BETWEEN low AND high GROUP BY charge_id) l ON l.charge_id = c.id
          LEFT JOIN (SELECT entry_id, household_id, sum(amount) AS amount FROM billing_posting
                      WHERE entry_id BETWEEN first_entry AND last_entry AND account_id = owed GROUP BY entry_id, household_id) p
            ON p.entry_id = c.entry_id AND p.household_id = c.household_id
         WHERE c.id BETWEEN low AND high AND l.amount <> coalesce(p.amount, 0) LIMIT 1;
    ELSE
        SELECT f.charge_id INTO culprit FROM (SELECT DISTINCT charge_id FROM fresh) f
         WHERE (SELECT sum(l.amount) FROM billing_chargeline l WHERE l.charge_id = f.charge_id)
            <> (SELECT billing_owed_by(c.entry_id, c.household_id) FROM billing_charge c WHERE c.id = f.charge_id) LIMIT 1;
    END IF;
    IF culprit IS NOT NULL THEN
        RAISE EXCEPTION 'The lines of charge % do not add up to what its entry posts to what the household owes', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'charge_lines_equal_entry';
    END IF;
    RETURN NULL;
END $$;
"""

# What nobody reads in the order it was numbered is numbered in blocks: asking a sequence costs as much as an index.
NUMBERS = """
ALTER TABLE billing_posting ALTER COLUMN id SET CACHE 64;
ALTER TABLE billing_chargeline ALTER COLUMN id SET CACHE 64;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0009_run_chunks_and_fewer_indexes")]
    operations = [migrations.RunSQL(sql) for sql in (BALANCE, POSTINGS, LINES, NUMBERS)]

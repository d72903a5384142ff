"""What the monthly run writes is held to what it names by a statement and not by a row, as its balance is.

A foreign key asks for every row it is written in, and locks what it finds: that took more than half of the run. What is named
here is never removed and never numbered anew, by triggers that hold for everybody, so that one look when it is named is enough.
Households and people may be removed while nothing names them; whoever does that waits for all who are writing, and then looks.
"""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

# Plans without statistics, as before, and without a look at each of ten thousand keys.
BY_INDEX = "SET enable_nestloop = off SET enable_seqscan = off SET plan_cache_mode = force_generic_plan"

# An entry is written before its postings, or in one statement with them. One that finds none yet is noted, a note a statement,
# and looked at when the transaction ends, for which nothing but a constraint trigger can wait.
NOTES = """
DROP TABLE billing_entrytofill;
DROP FUNCTION billing_entry_was_filled();
CREATE UNLOGGED TABLE billing_entrytofill (id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, entries bigint[] NOT NULL);

CREATE FUNCTION billing_entries_were_filled() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT e INTO culprit FROM unnest(NEW.entries) e
     WHERE NOT EXISTS (SELECT FROM billing_posting p WHERE p.entry_id = e) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Entry % has no postings', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_has_postings';
    END IF;
    DELETE FROM billing_entrytofill WHERE id = NEW.id;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER entrytofill_was_filled AFTER INSERT ON billing_entrytofill
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_entries_were_filled();
"""

# What may be removed while nothing names it. Whoever looks at the books as they once were must hold on to what is named, and is
# told when it is gone since; everybody else looks anew, after the lock that removing takes.
THERE = f"""
CREATE FUNCTION billing_households_are_there(households bigint[]) RETURNS boolean LANGUAGE plpgsql {BY_INDEX} AS $$
BEGIN
    IF current_setting('transaction_isolation') <> 'read committed' THEN
        PERFORM FROM families_household WHERE id = ANY (households) ORDER BY id FOR KEY SHARE;
    END IF;
    RETURN (SELECT count(*) FROM families_household WHERE id = ANY (households)) = coalesce(cardinality(households), 0);
END $$;

CREATE FUNCTION billing_people_are_there(people bigint[]) RETURNS boolean LANGUAGE plpgsql AS $$
BEGIN
    IF current_setting('transaction_isolation') <> 'read committed' THEN
        PERFORM FROM staff_user WHERE id = ANY (people) ORDER BY id FOR KEY SHARE;
    END IF;
    RETURN (SELECT count(*) FROM staff_user WHERE id = ANY (people)) = coalesce(cardinality(people), 0);
END $$;
"""

ENTRIES = """
CREATE OR REPLACE FUNCTION billing_entries_have_postings() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    empty bigint[];
    undoes bigint[];
    undone bigint[];
    makers bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT made_by_id AS key FROM fresh) f);
BEGIN
    SELECT array_agg(f.id) FILTER (WHERE (SELECT true FROM billing_posting p WHERE p.entry_id = f.id LIMIT 1) IS NULL),
           array_agg(f.id) FILTER (WHERE f.reverses_id IS NOT NULL), array_agg(f.reverses_id) FILTER (WHERE f.reverses_id IS NOT NULL)
      INTO empty, undoes, undone FROM fresh f;
    IF empty IS NOT NULL THEN
        INSERT INTO billing_entrytofill (entries) VALUES (empty);
    END IF;
    IF undoes IS NOT NULL THEN
        IF (SELECT count(*) FROM billing_journalentry WHERE id = ANY (undone)) < cardinality(undone) THEN
            RAISE EXCEPTION 'An entry undoes one that is not there'
                USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'entry_names_what_it_undoes';
        END IF;
        PERFORM billing_reversals_mirror(array_agg(e)) FROM unnest(undoes) e WHERE e <> ALL (coalesce(empty, '{}'));
    END IF;
    IF NOT billing_people_are_there(makers) THEN
        RAISE EXCEPTION 'An entry names somebody who does not work here'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'entry_names_its_maker';
    END IF;
    RETURN NULL;
END $$;
"""

POSTINGS = f"""
CREATE OR REPLACE FUNCTION billing_postings_balance() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    culprit bigint;
    wrong record;
    entry_ids bigint[];
    households bigint[];
    many bigint;
    known bigint;
    undoes boolean;
BEGIN
    SELECT array_agg(e.entry_id), sum(e.n), min(e.entry_id) FILTER (WHERE e.n < 2 OR e.total <> 0) INTO entry_ids, many, culprit
      FROM (SELECT entry_id, count(*) AS n, sum(amount) AS total FROM fresh GROUP BY entry_id) e;
    IF culprit IS NOT NULL THEN
        RAISE EXCEPTION 'Entry % does not balance, or has fewer than two postings', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_balances';
    END IF;
    SELECT f.entry_id, f.account_id, a.code INTO wrong FROM fresh f LEFT JOIN billing_account a ON a.code = f.account_id
     WHERE a.code IS NULL OR (a.is_receivable AND f.household_id IS NULL) LIMIT 1;
    IF FOUND AND wrong.code IS NULL THEN
        RAISE EXCEPTION 'Entry % posts to account %, which is not in the chart', wrong.entry_id, wrong.account_id
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'posting_names_its_account';
    ELSIF FOUND THEN
        RAISE EXCEPTION 'Entry % posts to what families owe without naming the household', wrong.entry_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'receivable_names_household';
    END IF;
    IF (SELECT count(*) FROM billing_posting WHERE entry_id = ANY (entry_ids)) <> many THEN
        SELECT f.entry_id INTO culprit FROM (SELECT entry_id, count(*) AS n FROM fresh GROUP BY entry_id) f
         WHERE f.n <> (SELECT count(*) FROM billing_posting p WHERE p.entry_id = f.entry_id) LIMIT 1;
        RAISE EXCEPTION 'Entry % has its postings already', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'entry_is_written_once';
    END IF;
    SELECT count(*), bool_or(reverses_id IS NOT NULL) INTO known, undoes FROM billing_journalentry WHERE id = ANY (entry_ids);
    IF known < cardinality(entry_ids) THEN
        RAISE EXCEPTION 'A posting names an entry that is not there: write the entry first, or both in one statement'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'posting_names_its_entry';
    END IF;
    IF undoes THEN
        PERFORM billing_reversals_mirror(entry_ids);
    END IF;
    SELECT array_agg(key) INTO households FROM (SELECT DISTINCT household_id AS key FROM fresh WHERE household_id IS NOT NULL) f;
    IF NOT billing_households_are_there(households) THEN
        RAISE EXCEPTION 'A posting names a household that is not there'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'posting_names_its_household';
    END IF;
    RETURN NULL;
END $$;
"""

CHARGES = f"""
CREATE FUNCTION billing_charges_name_what_is_there() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    households bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT household_id AS key FROM fresh) f);
    agreements bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT agreement_id AS key FROM fresh
                                                         WHERE agreement_id IS NOT NULL) f);
    entry_ids bigint[] := (SELECT array_agg(entry_id) || array_agg(void_entry_id) FILTER (WHERE void_entry_id IS NOT NULL) FROM fresh);
    runs bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT run_id AS key FROM fresh WHERE run_id IS NOT NULL) f);
    missing text;
BEGIN
    missing := CASE
        WHEN NOT billing_households_are_there(households) THEN 'household'
        WHEN (SELECT count(*) FROM agreements_agreement WHERE id = ANY (agreements)) < cardinality(agreements) THEN 'agreement'
        WHEN (SELECT count(*) FROM billing_journalentry WHERE id = ANY (entry_ids)) < cardinality(entry_ids) THEN 'entry'
        WHEN (SELECT count(*) FROM billing_billingrun WHERE id = ANY (runs)) < cardinality(runs) THEN 'run' END;
    IF missing IS NOT NULL THEN
        RAISE EXCEPTION 'A charge names % that is not there', missing
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'charge_names_its_' || missing;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER charge_names_what_is_there AFTER INSERT ON billing_charge
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_charges_name_what_is_there();

CREATE OR REPLACE FUNCTION billing_lines_equal_entry() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    owed text := (SELECT code FROM billing_account WHERE is_receivable);
    charges bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT charge_id AS key FROM fresh) f);
    entry_ids bigint[] := (SELECT array_agg(entry_id) FROM billing_charge WHERE id = ANY (charges));
    culprit bigint;
BEGIN
    SELECT c.id INTO culprit
      FROM billing_charge c
      JOIN (SELECT charge_id, sum(amount) AS amount FROM billing_chargeline
             WHERE charge_id = ANY (charges) GROUP BY charge_id) l ON l.charge_id = c.id
      LEFT JOIN (SELECT entry_id, household_id, sum(amount) AS amount FROM billing_posting
                  WHERE entry_id = ANY (entry_ids) AND account_id = owed GROUP BY entry_id, household_id) p
        ON p.entry_id = c.entry_id AND p.household_id = c.household_id
     WHERE c.id = ANY (charges) AND l.amount <> coalesce(p.amount, 0) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'The lines of charge % do not add up to what its entry posts to what the household owes', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'charge_lines_equal_entry';
    END IF;
    IF cardinality(charges) > coalesce(cardinality(entry_ids), 0) THEN
        RAISE EXCEPTION 'A line names a charge that is not there'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'charge_line_names_its_charge';
    END IF;
    RETURN NULL;
END $$;
"""

# As before, but never by reading all charges there are.
ITEMS = f"""
CREATE OR REPLACE FUNCTION billing_lines_open_items() RETURNS trigger LANGUAGE plpgsql {BY_INDEX} AS $$
DECLARE
    charges bigint[] := (SELECT array_agg(key) FROM (SELECT DISTINCT charge_id AS key FROM fresh) f);
BEGIN
    INSERT INTO billing_openitem (charge_id, household_id, due_on, open)
    SELECT c.id, c.household_id, c.due_on, f.amount
      FROM (SELECT charge_id, sum(amount) AS amount FROM fresh GROUP BY charge_id) f JOIN billing_charge c ON c.id = f.charge_id
     WHERE c.id = ANY (charges) AND f.amount > 0;
    RETURN NULL;
END $$;
"""

# Entries, charges and agreements are kept already. Accounts and runs are never removed, nor called otherwise.
STAY = """
CREATE TRIGGER account_kept BEFORE DELETE OR TRUNCATE ON billing_account FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER account_keeps_its_code BEFORE UPDATE ON billing_account
    FOR EACH ROW WHEN (OLD.code IS DISTINCT FROM NEW.code) EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER billingrun_kept BEFORE DELETE OR TRUNCATE ON billing_billingrun
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER billingrun_keeps_its_number BEFORE UPDATE ON billing_billingrun
    FOR EACH ROW WHEN (OLD.id IS DISTINCT FROM NEW.id) EXECUTE FUNCTION billing_refuse();
"""

# The tables are locked against writing until the row is gone or kept: whoever is naming it has written and is waited for, or
# writes later and finds it gone. Looking anew with every statement takes the isolation that does so; elsewhere it is refused.
NAMED = """
CREATE FUNCTION billing_named_in_the_books_stays() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public AS $$
BEGIN
    IF current_setting('transaction_isolation') <> 'read committed' THEN
        RAISE EXCEPTION '% of % is refused outside of the isolation "read committed"', TG_OP, TG_TABLE_NAME
            USING ERRCODE = 'restrict_violation', CONSTRAINT = TG_NAME;
    END IF;
    LOCK TABLE billing_journalentry, billing_posting, billing_charge IN SHARE MODE;
    IF (TG_TABLE_NAME = 'families_household' AND (EXISTS (SELECT FROM billing_posting p WHERE p.household_id = OLD.id)
                                                   OR EXISTS (SELECT FROM billing_charge c WHERE c.household_id = OLD.id)))
       OR (TG_TABLE_NAME = 'staff_user' AND EXISTS (SELECT FROM billing_journalentry e WHERE e.made_by_id = OLD.id)) THEN
        RAISE EXCEPTION '% of % is refused: the books name %', TG_OP, TG_TABLE_NAME, OLD.id
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = TG_NAME;
    END IF;
    RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
END $$;
CREATE TRIGGER household_named_in_the_books_stays BEFORE DELETE ON families_household
    FOR EACH ROW EXECUTE FUNCTION billing_named_in_the_books_stays();
CREATE TRIGGER household_named_in_the_books_keeps_its_key BEFORE UPDATE ON families_household
    FOR EACH ROW WHEN (OLD.id IS DISTINCT FROM NEW.id) EXECUTE FUNCTION billing_named_in_the_books_stays();
CREATE TRIGGER user_named_in_the_books_stays BEFORE DELETE ON staff_user
    FOR EACH ROW EXECUTE FUNCTION billing_named_in_the_books_stays();
CREATE TRIGGER user_named_in_the_books_keeps_its_key BEFORE UPDATE ON staff_user
    FOR EACH ROW WHEN (OLD.id IS DISTINCT FROM NEW.id) EXECUTE FUNCTION billing_named_in_the_books_stays();
"""


def named(model: str, name: str, to: str, related_name: str, **options: object) -> migrations.AlterField:
    """Let a reference be held by the triggers above."""
    kind = models.OneToOneField if name in ("entry", "void_entry", "reverses") and model != "posting" else models.ForeignKey
    field: models.ForeignKey = kind(
        db_constraint=False, on_delete=django.db.models.deletion.PROTECT, related_name=related_name, to=to, **options
    )
    return migrations.AlterField(model_name=model, name=name, field=field)


class Migration(migrations.Migration):
    dependencies = [
        ("billing", "0040_clearing_undone_guards"),
        ("agreements", "0009_what_is_added_stays"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]
    operations = [
        named("journalentry", "made_by", settings.AUTH_USER_MODEL, "+", db_index=False),
        named("posting", "entry", "billing.journalentry", "postings"),
        named("posting", "account", "billing.account", "postings", db_index=False),
        named("posting", "household", "families.household", "postings", db_index=False, null=True),
        named("charge", "household", "families.household", "charges", db_index=False),
        named("charge", "agreement", "agreements.agreement", "charges", null=True),
        named("charge", "run", "billing.billingrun", "charges", db_index=False, null=True),
        named("chargeline", "charge", "billing.charge", "lines", db_index=False),
        named("charge", "entry", "billing.journalentry", "charge"),
        named("charge", "void_entry", "billing.journalentry", "voided_charge", null=True),
        # What a late fee is for is looked up row by row already, by a guard that asks for more than that it is there.
        named(
            *("charge", "late_for", "billing.charge", "late_fees"),
            db_index=False,
            null=True,
            help_text="The overdue charge this fee is for.",
        ),
        named("journalentry", "reverses", "billing.journalentry", "reversed_by", null=True),
        *(migrations.RunSQL(sql) for sql in (NOTES, THERE, ENTRIES, POSTINGS, CHARGES, ITEMS, STAY, NAMED)),
    ]

"""What the database refuses of promises and payment plans: they add up, go forward, stay as made, and end once."""

from django.db import migrations

KEPT = """
CREATE TRIGGER callnote_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_callnote
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER instalment_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_instalment
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER arrangement_kept BEFORE DELETE OR TRUNCATE ON billing_arrangement
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_arrangement_only_ends() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.ended_at IS NOT NULL OR NEW.ended_at IS NULL
       OR (to_jsonb(NEW) - '{ended_on,ended_at,ended_by_id,ending,why}'::text[])
          <> (to_jsonb(OLD) - '{ended_on,ended_at,ended_by_id,ending,why}'::text[]) THEN
        RAISE EXCEPTION 'Arrangement % is kept as it was made; it can only end, once', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER arrangement_only_ends BEFORE UPDATE ON billing_arrangement
    FOR EACH ROW EXECUTE FUNCTION billing_arrangement_only_ends();

CREATE FUNCTION billing_arrangement_begins_open() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.ended_at IS NOT NULL THEN
        RAISE EXCEPTION 'An arrangement begins open' USING ERRCODE = 'check_violation', CONSTRAINT = 'arrangement_begins_open';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER arrangement_begins_open BEFORE INSERT ON billing_arrangement
    FOR EACH ROW EXECUTE FUNCTION billing_arrangement_begins_open();
"""

ADDS_UP = """
CREATE FUNCTION billing_instalments_add_up(asked bigint) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    whole record;
    parts record;
BEGIN
    SELECT kind, amount, made_on INTO whole FROM billing_arrangement WHERE id = asked;
    SELECT count(*) AS n, sum(amount) AS total, max(position) AS last, min(due_on) AS first_on, bool_or(due_on <= before) AS backwards
      INTO parts FROM (SELECT i.*, lag(due_on) OVER (ORDER BY position) AS before
                         FROM billing_instalment i WHERE arrangement_id = asked) i;
    IF parts.total IS DISTINCT FROM whole.amount OR parts.last <> parts.n OR (whole.kind = 'promise' AND parts.n <> 1) THEN
        RAISE EXCEPTION 'The installments of arrangement % are %, not %', asked, parts.total, whole.amount
            USING ERRCODE = 'check_violation', CONSTRAINT = 'instalments_add_up';
    END IF;
    IF parts.backwards OR parts.first_on < whole.made_on THEN
        RAISE EXCEPTION 'The installments of arrangement % do not go forward', asked
            USING ERRCODE = 'check_violation', CONSTRAINT = 'instalments_go_forward';
    END IF;
END $$;

CREATE FUNCTION billing_arrangement_adds_up() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM billing_instalments_add_up(NEW.id);
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER arrangement_adds_up AFTER INSERT ON billing_arrangement
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_arrangement_adds_up();

CREATE FUNCTION billing_instalment_adds_up() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM billing_instalments_add_up(NEW.arrangement_id);
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER instalment_adds_up AFTER INSERT ON billing_instalment
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_instalment_adds_up();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0034_promises")]
    operations = [migrations.RunSQL(sql) for sql in (KEPT, ADDS_UP)]

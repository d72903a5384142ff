"""What the database refuses of the steps of an overdue episode: a table stays as it was set, and what is taken follows it."""

from django.db import migrations

TABLES = """
CREATE TRIGGER stepsversion_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_stepsversion
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER overduestep_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_overduestep
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER overduenotice_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_overduenotice
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();

CREATE FUNCTION billing_steps_are_whole(asked bigint) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    wanted int;
    found record;
BEGIN
    SELECT step_count INTO wanted FROM billing_stepsversion WHERE id = asked;
    SELECT count(*) AS steps, bool_or(days <= before) AS backwards, bool_or(wording < hardest) AS gentler,
           bool_or(kind = 'recall' AND later IS NOT NULL) AS after_recall,
           (array_agg(wording ORDER BY position) FILTER (WHERE wording IS NOT NULL))[1] AS first_wording,
           coalesce(max(position), 0) AS last
      INTO found FROM (
           SELECT s.*, lag(days) OVER w AS before, lead(position) OVER w AS later,
                  max(wording) OVER (w ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS hardest
             FROM billing_overduestep s WHERE version_id = asked WINDOW w AS (ORDER BY position)) s;
    IF found.steps <> wanted OR found.last <> wanted THEN
        RAISE EXCEPTION 'The steps of table % are not the % that it was set with', asked, wanted
            USING ERRCODE = 'check_violation', CONSTRAINT = 'overdue_steps_are_whole';
    END IF;
    IF found.backwards OR found.gentler OR found.after_recall OR found.first_wording > 1 THEN
        RAISE EXCEPTION 'The steps of table % go backwards, or do not begin friendly', asked
            USING ERRCODE = 'check_violation', CONSTRAINT = 'overdue_steps_go_forward';
    END IF;
END $$;

CREATE FUNCTION billing_stepsversion_is_whole() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM billing_steps_are_whole(NEW.id);
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER stepsversion_is_whole AFTER INSERT ON billing_stepsversion
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_stepsversion_is_whole();

CREATE FUNCTION billing_overduestep_fits() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM billing_steps_are_whole(NEW.version_id);
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER overduestep_fits AFTER INSERT ON billing_overduestep
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION billing_overduestep_fits();
"""

NOTICES = """
CREATE FUNCTION billing_notice_follows_steps() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    rule record;
BEGIN
    SELECT position, version_id, kind IN ('mail', 'letter') AS writes INTO rule FROM billing_overduestep WHERE id = NEW.rule_id;
    IF NEW.step <> rule.position OR (NEW.message_id IS NOT NULL) <> rule.writes OR EXISTS (
            SELECT FROM billing_overduenotice n JOIN billing_overduestep s ON s.id = n.rule_id
             WHERE n.household_id = NEW.household_id AND n.episode_on = NEW.episode_on
               AND (s.version_id <> rule.version_id OR n.step >= NEW.step)) THEN
        RAISE EXCEPTION 'Step % of household % since % does not follow the table it began with', NEW.step, NEW.household_id,
            NEW.episode_on USING ERRCODE = 'check_violation', CONSTRAINT = 'overdue_notice_follows_steps';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER overduenotice_follows_steps BEFORE INSERT ON billing_overduenotice
    FOR EACH ROW EXECUTE FUNCTION billing_notice_follows_steps();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0023_overdue_steps")]
    operations = [migrations.RunSQL(sql) for sql in (TABLES, NOTICES)]

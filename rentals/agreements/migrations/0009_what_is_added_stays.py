"""What is added to an agreement stays as it was written, and its terms tile the calendar: held by the database for everybody."""

from django.db import migrations

# Every agreement signed before bills by the month from the day it began.
FILL = """
INSERT INTO agreements_periodterms (agreement_id, first_period, begins_on, anchor_on, "offset", months, rent, rent_currency,
                                    protection, protection_currency, reason, made_at, made_by_id)
SELECT a.id, 0, a.starts_on, a.starts_on, 0, 1, a.monthly_rent, a.monthly_rent_currency, a.monthly_protection,
       a.monthly_protection_currency, 'signed', a.signed_at, a.signed_by_id
  FROM agreements_agreement a WHERE NOT EXISTS (SELECT FROM agreements_periodterms t WHERE t.agreement_id = a.id);
"""

TILE = """
CREATE FUNCTION agreements_terms_tile() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit smallint;
BEGIN
    SELECT t.first_period INTO culprit FROM (
        SELECT s.*, lead(s.first_period) OVER w AS next_first, lead(s.begins_on) OVER w AS next_begins,
               row_number() OVER w AS place
          FROM agreements_periodterms s WHERE s.agreement_id = NEW.agreement_id AND s.superseded_at IS NULL
        WINDOW w AS (ORDER BY s.first_period)) t
     WHERE (t.anchor_on + t."offset" * interval '1 month')::date <> t.begins_on
        OR (t.place = 1 AND t.first_period <> 0)
        OR t.next_begins <= (t.anchor_on + (t."offset" + (t.next_first - 1 - t.first_period) * t.months) * interval '1 month')::date
        OR t.next_begins > (t.anchor_on + (t."offset" + (t.next_first - t.first_period) * t.months) * interval '1 month')::date
     LIMIT 1;
    IF FOUND OR NOT EXISTS (SELECT FROM agreements_periodterms WHERE agreement_id = NEW.agreement_id AND superseded_at IS NULL) THEN
        RAISE EXCEPTION 'The terms of agreement % leave a gap or overlap (from period %)', NEW.agreement_id, culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'period_terms_tile';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER period_terms_tile AFTER INSERT OR UPDATE ON agreements_periodterms
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION agreements_terms_tile();

CREATE FUNCTION agreements_has_terms() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM agreements_periodterms WHERE agreement_id = NEW.id AND superseded_at IS NULL) THEN
        RAISE EXCEPTION 'Agreement % says nothing of what it bills', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'agreement_has_terms';
    END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER agreement_has_terms AFTER INSERT ON agreements_agreement
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION agreements_has_terms();
"""

FOLLOWS = """
CREATE FUNCTION agreements_follows_an_ended_one() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM agreements_agreement a WHERE a.id = NEW.follows_id AND a.end_reason = ANY (
           CASE NEW.follows_by WHEN 'transfer' THEN ARRAY['transferred'] WHEN 'reinstatement' THEN ARRAY['returned', 'written_off']
                ELSE ARRAY['exchanged'] END)) THEN
        RAISE EXCEPTION 'Agreement % follows one that did not end for that', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'agreement_follows_an_ended_one';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER agreement_follows_an_ended_one BEFORE INSERT ON agreements_agreement
    FOR EACH ROW WHEN (NEW.follows_id IS NOT NULL) EXECUTE FUNCTION agreements_follows_an_ended_one();
"""

CHANGES = {
    "periodterms": ("what an agreement bills stays as it was written: other terms may follow it", ["superseded_at"]),
    "agreementhold": (
        "a hold stays as it was written: it can only be lifted, once",
        ["lifted_at", "until_on", "lifted_by_id", "is_forgiven"],
    ),
    "payershare": ("who pays which part stays as it was written: it can only end, once", ["until_on"]),
}
STAYS = ["lifeevent", "returncheck", "lossreport"]
KEPT = "".join(
    f"CREATE TRIGGER {table}_only_changes BEFORE UPDATE ON agreements_{table} FOR EACH ROW "
    f"EXECUTE FUNCTION agreements_only_ends('{words}', {', '.join(repr(each) for each in columns)});\n"
    f"CREATE TRIGGER {table}_stays BEFORE DELETE ON agreements_{table} FOR EACH ROW "
    f"EXECUTE FUNCTION agreements_refuse('{words}');\n"
    for table, (words, columns) in CHANGES.items()
) + "".join(
    f"CREATE TRIGGER {table}_stays BEFORE UPDATE OR DELETE ON agreements_{table} FOR EACH ROW "
    "EXECUTE FUNCTION agreements_refuse('what happened to an agreement stays as it was written');\n"
    for table in STAYS
)
NOT_EMPTIED = "".join(
    f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON agreements_{table} FOR EACH STATEMENT "
    "EXECUTE FUNCTION agreements_refuse('what happened to an agreement is never emptied');\n"
    for table in [*CHANGES, *STAYS]
)


class Migration(migrations.Migration):
    dependencies = [("agreements", "0008_terms_and_life")]
    operations = [
        migrations.RunSQL(FILL, migrations.RunSQL.noop),
        migrations.RunSQL("SET CONSTRAINTS ALL IMMEDIATE", migrations.RunSQL.noop),
        *(migrations.RunSQL(sql) for sql in (TILE, FOLLOWS, KEPT, NOT_EMPTIED)),
    ]

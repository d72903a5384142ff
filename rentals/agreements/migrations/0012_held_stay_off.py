"""What is put aside goes onto no agreement, and what is on one is not put aside: held by the database for everybody."""

from django.db import migrations

HELD = """
CREATE FUNCTION agreements_held_stay_off() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT n.instrument_id INTO culprit FROM fresh n
      JOIN inventory_hold h ON h.instrument_id = n.instrument_id AND h.ended_at IS NULL
     WHERE n.ended_at IS NULL LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Instrument % is held: release it before it goes onto an agreement', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'held_stay_off_agreements';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER held_stay_off_agreements AFTER INSERT ON agreements_agreementunit REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION agreements_held_stay_off();

CREATE FUNCTION agreements_rented_not_held() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM agreements_agreementunit u WHERE u.instrument_id = NEW.instrument_id AND u.ended_at IS NULL) THEN
        RAISE EXCEPTION 'Instrument % is on an open agreement and cannot be held', NEW.instrument_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'rented_are_not_held';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER rented_are_not_held AFTER INSERT ON inventory_hold
    FOR EACH ROW WHEN (NEW.ended_at IS NULL) EXECUTE FUNCTION agreements_rented_not_held();
"""

AWAY = """
DROP TRIGGER rented_are_not_held ON inventory_hold;
DROP FUNCTION agreements_rented_not_held();
DROP TRIGGER held_stay_off_agreements ON agreements_agreementunit;
DROP FUNCTION agreements_held_stay_off();
"""


class Migration(migrations.Migration):
    dependencies = [
        ("agreements", "0011_drafts_of_plans"),
        ("inventory", "0006_holds"),
    ]

    operations = [migrations.RunSQL(HELD, AWAY)]

"""What the bench wrote down stays, and a work order goes only from a state to one that may follow it."""

from django.db import migrations

REFUSE = """
CREATE FUNCTION inventory_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'restrict_violation';
END $$;
"""

# The same pairs as `work_rules.NEXT_STATES`; a test holds both together.
STATES = """
CREATE FUNCTION inventory_work_order_moves_on() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    pairs CONSTANT text[] := ARRAY[
        'look>bench', 'look>family', 'look>parts', 'look>ready', 'look>done',
        'bench>look', 'bench>family', 'bench>parts', 'bench>check', 'bench>ready', 'bench>done',
        'family>look', 'family>bench', 'family>parts', 'family>ready',
        'parts>bench', 'parts>family', 'parts>ready',
        'check>bench', 'check>ready',
        'ready>bench', 'ready>done'
    ];
BEGIN
    IF NOT (OLD.state || '>' || NEW.state) = ANY (pairs) THEN
        RAISE EXCEPTION 'a work order does not go from % to %', OLD.state, NEW.state USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER work_order_moves_on BEFORE UPDATE OF state ON inventory_workorder FOR EACH ROW
    WHEN (OLD.state IS DISTINCT FROM NEW.state) EXECUTE FUNCTION inventory_work_order_moves_on();
"""

LINES = """
CREATE FUNCTION inventory_work_line_of_open_order() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    of_order bigint := CASE WHEN TG_OP = 'DELETE' THEN OLD.order_id ELSE NEW.order_id END;
BEGIN
    IF EXISTS (SELECT FROM inventory_workorder WHERE id = of_order AND state = 'done') THEN
        RAISE EXCEPTION 'the lines of finished work never change' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN CASE WHEN TG_OP = 'DELETE' THEN OLD ELSE NEW END;
END $$;
CREATE TRIGGER work_line_of_open_order BEFORE INSERT OR DELETE ON inventory_workline FOR EACH ROW
    EXECUTE FUNCTION inventory_work_line_of_open_order();
CREATE TRIGGER work_line_stays BEFORE UPDATE ON inventory_workline FOR EACH ROW
    EXECUTE FUNCTION inventory_refuse('a line of work is taken off and written anew, never changed');
"""

ESTIMATES = """
CREATE TRIGGER estimate_decided_stays BEFORE UPDATE ON inventory_estimate FOR EACH ROW WHEN (OLD.decision <> '')
    EXECUTE FUNCTION inventory_refuse('a decided estimate never changes: make another');
CREATE FUNCTION inventory_estimate_only_decided() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.order_id, NEW.covers, NEW.valid_until, NEW.made_at, NEW.made_by_id)
       IS DISTINCT FROM (OLD.order_id, OLD.covers, OLD.valid_until, OLD.made_at, OLD.made_by_id) THEN
        RAISE EXCEPTION 'what the family was told never changes: withdraw it and make another' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER estimate_only_decided BEFORE UPDATE ON inventory_estimate FOR EACH ROW
    EXECUTE FUNCTION inventory_estimate_only_decided();
CREATE TRIGGER estimate_stays BEFORE DELETE ON inventory_estimate FOR EACH ROW
    EXECUTE FUNCTION inventory_refuse('an estimate is never deleted');
CREATE FUNCTION inventory_estimate_line_in_time() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM inventory_estimate WHERE id = NEW.estimate_id AND decision <> '') THEN
        RAISE EXCEPTION 'a decided estimate never changes: make another' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER estimate_line_in_time BEFORE INSERT ON inventory_estimateline FOR EACH ROW
    EXECUTE FUNCTION inventory_estimate_line_in_time();
CREATE TRIGGER estimate_line_stays BEFORE UPDATE OR DELETE ON inventory_estimateline FOR EACH ROW
    EXECUTE FUNCTION inventory_refuse('a line of an estimate never changes');
"""

KEPT = {
    "workevent": "what happened to a work order is never changed",
    "qualitycheck": "a playing test is never changed: test again",
}
STAYS = "".join(
    f"CREATE TRIGGER {table}_stays BEFORE UPDATE OR DELETE ON inventory_{table} FOR EACH ROW "
    f"EXECUTE FUNCTION inventory_refuse('{words}');\n"
    for table, words in KEPT.items()
)
EMPTY = "".join(
    f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON inventory_{table} FOR EACH STATEMENT "
    "EXECUTE FUNCTION inventory_refuse('what the bench wrote down is never emptied');\n"
    for table in (*KEPT, "estimate", "estimateline", "workline")
)


class Migration(migrations.Migration):

    dependencies = [("inventory", "0010_work_orders_at_the_bench")]

    operations = [migrations.RunSQL(REFUSE + STATES + LINES + ESTIMATES + STAYS + EMPTY)]

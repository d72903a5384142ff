"""What the database refuses of the fleet in the books: rows stay, and say what their entries say, to the cent."""

from django.db import migrations

# The same as billing.fleet.rules, which the tests hold against each other.
RULES = """
CREATE FUNCTION billing_months_used(in_service_on date, month date, life_months int) RETURNS int LANGUAGE sql IMMUTABLE AS $$
    SELECT greatest(0, least(life_months, (12 * (extract(year FROM month) - extract(year FROM in_service_on))
                                           + extract(month FROM month) - extract(month FROM in_service_on))::int + 1))
$$;

CREATE FUNCTION billing_straight_line(basis numeric, life_months int, age int) RETURNS numeric LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN age >= life_months THEN basis ELSE least(round(basis / life_months, 2) * age, basis) END
$$;
"""

KEPT = """
CREATE TRIGGER fleetasset_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_fleetasset
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER fleetdepreciation_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_fleetdepreciation
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER depreciatedmonth_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_depreciatedmonth
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
CREATE TRIGGER fleetremoval_kept BEFORE DELETE OR TRUNCATE ON billing_fleetremoval
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

# 1500 is the fleet at cost, 1590 what is depreciated of it, in the chart of accounts.
ASSETS = """
CREATE FUNCTION billing_posted_to(entry bigint, account text) RETURNS numeric LANGUAGE sql STABLE AS $$
    SELECT coalesce(sum(amount), 0) FROM billing_posting WHERE entry_id = entry AND account_id = account
$$;

CREATE FUNCTION billing_assets_equal_entry() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit bigint;
BEGIN
    SELECT a.entry_id INTO culprit FROM billing_fleetasset a WHERE a.entry_id IN (SELECT entry_id FROM fresh)
     GROUP BY a.entry_id HAVING sum(a.cost) <> billing_posted_to(a.entry_id, '1500') LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'The instruments of entry % do not cost what it posts to the fleet', culprit
            USING ERRCODE = 'check_violation', CONSTRAINT = 'fleet_assets_equal_entry';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER fleetasset_equals_entry AFTER INSERT ON billing_fleetasset
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_assets_equal_entry();
"""

DEPRECIATION = """
CREATE FUNCTION billing_depreciation_follows() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    culprit record;
BEGIN
    SELECT f.asset_id, f.month INTO culprit FROM fresh f JOIN billing_fleetasset a ON a.id = f.asset_id
     WHERE f.accumulated > a.cost - a.salvage LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Asset % would be depreciated below what is left at the end of its life', culprit.asset_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'depreciation_within_basis';
    END IF;
    SELECT f.asset_id, f.month INTO culprit FROM fresh f JOIN billing_fleetasset a ON a.id = f.asset_id
      LEFT JOIN LATERAL (SELECT p.accumulated, p.age FROM billing_fleetdepreciation p
                          WHERE p.asset_id = f.asset_id AND p.month < f.month ORDER BY p.month DESC LIMIT 1) before ON true
     WHERE f.age <> billing_months_used(a.in_service_on, f.month, a.life_months) OR f.age <= coalesce(before.age, 0)
        OR f.accumulated <> billing_straight_line(a.cost - a.salvage, a.life_months, f.age)
        OR f.amount <> f.accumulated - coalesce(before.accumulated, 0)
        OR EXISTS (SELECT FROM billing_fleetdepreciation later WHERE later.asset_id = f.asset_id AND later.month > f.month
                      AND NOT EXISTS (SELECT FROM fresh WHERE fresh.id = later.id)) LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'The depreciation of asset % in % does not follow from its schedule', culprit.asset_id, culprit.month
            USING ERRCODE = 'check_violation', CONSTRAINT = 'depreciation_follows_schedule';
    END IF;
    SELECT f.asset_id INTO culprit FROM fresh f
      JOIN billing_fleetremoval r ON r.asset_id = f.asset_id AND r.undo_entry_id IS NULL LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'Asset % is not in the books any more', culprit.asset_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'depreciation_of_what_is_there';
    END IF;
    SELECT entry_id INTO culprit FROM billing_fleetdepreciation WHERE entry_id IN (SELECT entry_id FROM fresh)
     GROUP BY entry_id HAVING sum(amount) <> -billing_posted_to(entry_id, '1590') LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'The depreciation of entry % is not what it posts', culprit.entry_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'depreciation_equals_entry';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER fleetdepreciation_follows AFTER INSERT ON billing_fleetdepreciation
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_depreciation_follows();

CREATE FUNCTION billing_months_depreciate_in_order() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtext('billing.fleet'));
    IF EXISTS (SELECT FROM billing_depreciatedmonth WHERE first_day > NEW.first_day) THEN
        RAISE EXCEPTION 'A month after % is depreciated already', NEW.first_day
            USING ERRCODE = 'check_violation', CONSTRAINT = 'months_depreciate_in_order';
    END IF;
    IF NEW.amount <> coalesce((SELECT sum(amount) FROM billing_fleetdepreciation WHERE entry_id = NEW.entry_id), 0) THEN
        RAISE EXCEPTION 'The depreciation of % is not what its entry depreciates', NEW.first_day
            USING ERRCODE = 'check_violation', CONSTRAINT = 'depreciated_month_equals_entry';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER depreciatedmonth_in_order BEFORE INSERT ON billing_depreciatedmonth
    FOR EACH ROW EXECUTE FUNCTION billing_months_depreciate_in_order();
"""

REMOVALS = """
CREATE FUNCTION billing_removal_takes_all_out() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    cost numeric;
    so_far numeric;
BEGIN
    SELECT a.cost, coalesce((SELECT d.accumulated FROM billing_fleetdepreciation d WHERE d.asset_id = a.id
                              ORDER BY d.month DESC LIMIT 1), 0)
      INTO cost, so_far FROM billing_fleetasset a WHERE a.id = NEW.asset_id FOR NO KEY UPDATE;
    IF NEW.undo_entry_id IS NOT NULL OR NEW.depreciated <> so_far OR billing_posted_to(NEW.entry_id, '1500') <> -cost
       OR billing_posted_to(NEW.entry_id, '1590') <> NEW.depreciated THEN
        RAISE EXCEPTION 'Asset % leaves the books with other amounts than it stood there with', NEW.asset_id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'fleet_removal_takes_all_out';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER fleetremoval_takes_all_out BEFORE INSERT ON billing_fleetremoval
    FOR EACH ROW EXECUTE FUNCTION billing_removal_takes_all_out();

CREATE FUNCTION billing_removal_only_undone() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (to_jsonb(NEW) - 'undo_entry_id') <> (to_jsonb(OLD) - 'undo_entry_id') OR OLD.undo_entry_id IS NOT NULL THEN
        RAISE EXCEPTION 'Removal % is kept as it was made; it can only be undone, once', OLD.id USING ERRCODE = 'restrict_violation';
    END IF;
    IF NOT EXISTS (SELECT FROM billing_journalentry WHERE id = NEW.undo_entry_id AND reverses_id = NEW.entry_id) THEN
        RAISE EXCEPTION 'Removal % is undone by an entry that does not undo its own', OLD.id
            USING ERRCODE = 'check_violation', CONSTRAINT = 'fleet_removal_undo_undoes_it';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER fleetremoval_only_undone BEFORE UPDATE ON billing_fleetremoval
    FOR EACH ROW EXECUTE FUNCTION billing_removal_only_undone();
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0012_fleet")]
    operations = [migrations.RunSQL(sql) for sql in (RULES, KEPT, ASSETS, DEPRECIATION, REMOVALS)]

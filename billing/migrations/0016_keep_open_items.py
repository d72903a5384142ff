"""Open items and the totals of closed months, kept by triggers, a statement at a time, and made for what there is."""

from django.db import migrations

# Lines of a charge come in one statement; what is allocated to them takes from the item, what is released gives back.
# One statement may release and allocate anew, in either order: only an item of exactly nothing is done with.
OPEN_ITEMS = """
CREATE FUNCTION billing_lines_open_items() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO billing_openitem (charge_id, household_id, due_on, open)
    SELECT c.id, c.household_id, c.due_on, f.amount
      FROM (SELECT charge_id, sum(amount) AS amount FROM fresh GROUP BY charge_id) f JOIN billing_charge c ON c.id = f.charge_id
     WHERE f.amount > 0;
    RETURN NULL;
END $$;
CREATE TRIGGER chargeline_opens_item AFTER INSERT ON billing_chargeline
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_lines_open_items();

CREATE FUNCTION billing_allocations_take() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE billing_openitem o SET open = o.open - p.amount
      FROM (SELECT l.charge_id, sum(f.amount) AS amount FROM fresh f JOIN billing_chargeline l ON l.id = f.line_id
             WHERE f.released_at IS NULL GROUP BY l.charge_id) p
     WHERE o.charge_id = p.charge_id;
    DELETE FROM billing_openitem o USING fresh f JOIN billing_chargeline l ON l.id = f.line_id
     WHERE o.charge_id = l.charge_id AND o.open = 0;
    RETURN NULL;
END $$;
CREATE TRIGGER allocation_takes AFTER INSERT ON billing_allocation
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_allocations_take();

CREATE FUNCTION billing_releases_give() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO billing_openitem AS o (charge_id, household_id, due_on, open)
    SELECT c.id, c.household_id, c.due_on, r.amount
      FROM (SELECT l.charge_id, sum(f.amount) AS amount
              FROM fresh f JOIN before b ON b.id = f.id JOIN billing_chargeline l ON l.id = f.line_id
             WHERE b.released_at IS NULL AND f.released_at IS NOT NULL GROUP BY l.charge_id) r
      JOIN billing_charge c ON c.id = r.charge_id
    ON CONFLICT (charge_id) DO UPDATE SET open = o.open + excluded.open;
    DELETE FROM billing_openitem o USING fresh f JOIN billing_chargeline l ON l.id = f.line_id
     WHERE o.charge_id = l.charge_id AND o.open = 0;
    RETURN NULL;
END $$;
CREATE TRIGGER allocation_gives AFTER UPDATE ON billing_allocation
    REFERENCING OLD TABLE AS before NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_releases_give();

CREATE FUNCTION billing_void_closes_item() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM billing_openitem o USING fresh f WHERE o.charge_id = f.id AND f.void_entry_id IS NOT NULL;
    RETURN NULL;
END $$;
CREATE TRIGGER charge_void_closes_item AFTER UPDATE ON billing_charge
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION billing_void_closes_item();
"""

MONTHS = """
CREATE FUNCTION billing_month_is_totalled() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO billing_monthtotal (month_id, account_id, amount)
    SELECT NEW.first_day, p.account_id, sum(p.amount)
      FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
     WHERE e.entry_on >= NEW.first_day AND e.entry_on < NEW.first_day + interval '1 month'
     GROUP BY p.account_id;
    RETURN NULL;
END $$;
CREATE TRIGGER closedmonth_is_totalled AFTER INSERT ON billing_closedmonth
    FOR EACH ROW EXECUTE FUNCTION billing_month_is_totalled();
CREATE TRIGGER monthtotal_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON billing_monthtotal
    FOR EACH STATEMENT EXECUTE FUNCTION billing_refuse();
"""

FILL = """
INSERT INTO billing_openitem (charge_id, household_id, due_on, open)
SELECT c.id, c.household_id, c.due_on, sum(l.amount - coalesce(a.paid, 0))
  FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
  LEFT JOIN (SELECT line_id, sum(amount) AS paid FROM billing_allocation WHERE released_at IS NULL GROUP BY line_id) a
    ON a.line_id = l.id
 WHERE c.void_entry_id IS NULL GROUP BY c.id HAVING sum(l.amount - coalesce(a.paid, 0)) > 0;
INSERT INTO billing_monthtotal (month_id, account_id, amount)
SELECT m.first_day, p.account_id, sum(p.amount)
  FROM billing_closedmonth m
  JOIN billing_journalentry e ON e.entry_on >= m.first_day AND e.entry_on < m.first_day + interval '1 month'
  JOIN billing_posting p ON p.entry_id = e.id
 GROUP BY m.first_day, p.account_id;
"""


class Migration(migrations.Migration):
    dependencies = [("billing", "0015_open_items_and_month_totals")]
    operations = [migrations.RunSQL(sql) for sql in (OPEN_ITEMS, MONTHS, FILL)]

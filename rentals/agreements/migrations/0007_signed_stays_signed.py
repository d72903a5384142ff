"""What is signed or published never changes: triggers that hold for the owner of the tables as well as for the application."""

from django.db import migrations

REFUSE = """
CREATE FUNCTION agreements_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'restrict_violation';
END $$;

CREATE FUNCTION agreements_only_ends() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    may_change text[] := (SELECT array_agg(argument) FROM unnest(TG_ARGV[1:]) AS argument);
BEGIN
    IF (to_jsonb(NEW) - may_change) IS DISTINCT FROM (to_jsonb(OLD) - may_change) THEN
        RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'restrict_violation';
    END IF;
    IF to_jsonb(OLD) ->> may_change[1] IS NOT NULL AND to_jsonb(NEW) IS DISTINCT FROM to_jsonb(OLD) THEN
        RAISE EXCEPTION 'ended once, it stays ended as it was' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;
"""


AGREEMENT = """
CREATE TRIGGER agreement_only_ends BEFORE UPDATE ON agreements_agreement FOR EACH ROW
    EXECUTE FUNCTION agreements_only_ends('a signed agreement never changes: it can only end, once', 'ended_on', 'end_reason');
CREATE TRIGGER agreement_stays BEFORE DELETE ON agreements_agreement FOR EACH ROW
    EXECUTE FUNCTION agreements_refuse('a signed agreement is never deleted');
CREATE TRIGGER agreement_unit_only_ends BEFORE UPDATE ON agreements_agreementunit FOR EACH ROW
    EXECUTE FUNCTION agreements_only_ends('which instrument was on an agreement never changes: it can only end, once', 'ended_at');
CREATE TRIGGER agreement_unit_stays BEFORE DELETE ON agreements_agreementunit FOR EACH ROW
    EXECUTE FUNCTION agreements_refuse('which instrument was on an agreement is never deleted');
CREATE TRIGGER agreement_goods_stay BEFORE UPDATE OR DELETE ON agreements_agreementgoods FOR EACH ROW
    EXECUTE FUNCTION agreements_refuse('what was taken along with an agreement never changes');
CREATE TRIGGER signature_stays BEFORE UPDATE OR DELETE ON agreements_signature FOR EACH ROW
    EXECUTE FUNCTION agreements_refuse('a signature never changes');
CREATE TRIGGER plan_version_stays BEFORE UPDATE OR DELETE ON agreements_planversion FOR EACH ROW
    WHEN (OLD.published_at IS NOT NULL)
    EXECUTE FUNCTION agreements_refuse('a published plan version never changes: publish another');
"""

TABLES = ("agreement", "agreementunit", "agreementgoods", "signature", "planversion")
EMPTY = "".join(
    f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON agreements_{table} FOR EACH STATEMENT "
    "EXECUTE FUNCTION agreements_refuse('what was signed or published is never emptied');\n"
    for table in TABLES
)
NAMES = {
    "agreement": ["agreement_only_ends", "agreement_stays"],
    "agreementunit": ["agreement_unit_only_ends", "agreement_unit_stays"],
    "agreementgoods": ["agreement_goods_stay"],
    "signature": ["signature_stays"],
    "planversion": ["plan_version_stays"],
}
UNDO = (
    "".join(f"DROP TRIGGER {name} ON agreements_{table};\n" for table, names in NAMES.items() for name in names)
    + "".join(f"DROP TRIGGER {table}_not_emptied ON agreements_{table};\n" for table in TABLES)
    + "DROP FUNCTION agreements_only_ends();\nDROP FUNCTION agreements_refuse();\n"
)


class Migration(migrations.Migration):

    dependencies = [("agreements", "0006_drafts_and_credit_cap")]

    operations = [migrations.RunSQL(REFUSE + AGREEMENT + EMPTY, UNDO)]

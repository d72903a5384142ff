"""One draft of a plan at a time, and nobody signs under a draft."""

from django.db import migrations, models
from django.db.models import Q

PUBLISHED = """
CREATE FUNCTION agreements_signed_under_published() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM agreements_planversion v WHERE v.id = NEW.plan_version_id AND v.published_at IS NOT NULL) THEN
        RAISE EXCEPTION 'Agreement % is signed under terms that are not published', NEW.number
            USING ERRCODE = 'check_violation', CONSTRAINT = 'agreement_signed_under_published';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER agreement_signed_under_published BEFORE INSERT ON agreements_agreement
    FOR EACH ROW EXECUTE FUNCTION agreements_signed_under_published();
"""
UNDO = """
DROP TRIGGER agreement_signed_under_published ON agreements_agreement;
DROP FUNCTION agreements_signed_under_published();
"""


class Migration(migrations.Migration):
    dependencies = [("agreements", "0010_payer_share_of_a_day")]
    operations = [
        migrations.AddConstraint(
            model_name="planversion",
            constraint=models.UniqueConstraint(fields=["plan"], condition=Q(published_at=None), name="plan_has_one_draft"),
        ),
        migrations.RunSQL(PUBLISHED, UNDO),
    ]

"""Who took a sign-up's money, beside who brought it in; so far they were one."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

TOOK = "Who signed the family up and answers for its money."


def taken_by(*, null: bool) -> models.Field:
    """Return the column as it is while it is filled, or as it stays."""
    to = settings.AUTH_USER_MODEL
    return models.ForeignKey(to, on_delete=django.db.models.deletion.PROTECT, related_name="+", help_text=TOOK, null=null)


class Migration(migrations.Migration):
    dependencies = [
        ("agreements", "0013_night_sign_ups"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AlterField(
            model_name="nightsignup",
            name="sent_by",
            field=models.ForeignKey(
                help_text="Who brought it in.",
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField("nightsignup", "taken_by", taken_by(null=True)),
        migrations.RunSQL(
            "UPDATE agreements_nightsignup SET taken_by_id = sent_by_id; "
            "SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED",
            migrations.RunSQL.noop,
        ),
        migrations.AlterField("nightsignup", "taken_by", taken_by(null=False)),
    ]

"""A way for the application, which owns no table, to have the planner's statistics renewed after it wrote much at once."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("runtime", "0001_extensions")]
    operations = [
        migrations.RunSQL(
            """
            CREATE FUNCTION refresh_statistics() RETURNS void
            LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp
            AS $$ BEGIN ANALYZE; END $$;
            """,
            "DROP FUNCTION refresh_statistics()",
        ),
    ]

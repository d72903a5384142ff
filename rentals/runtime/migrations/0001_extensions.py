"""What PostgreSQL must be able to do before any table is made: exclusion by equality, fragments of names, plain letters."""

from django.contrib.postgres.operations import BtreeGistExtension, TrigramExtension, UnaccentExtension
from django.db import migrations


class Migration(migrations.Migration):
    initial = True
    dependencies = []
    operations = [
        BtreeGistExtension(),
        TrigramExtension(),
        UnaccentExtension(),
        migrations.RunSQL(
            """
            CREATE FUNCTION plain(value text) RETURNS text
            LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT
            RETURN lower(public.unaccent('public.unaccent'::regdictionary, value));
            """,
            "DROP FUNCTION plain(text)",
        ),
    ]

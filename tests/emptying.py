"""Emptying the database between transactional tests: what was written goes, what stood there after the migrations stands again.

Django's own way truncates every table and sends `post_migrate`, which takes a second for each of some thousand tests. Here the
rows that migrations leave (chart of accounts, kinds, permissions) are kept once in a schema beside, with their keys. A function
of the database does the work, because a session plans its statements once: two hundred DELETEs take longer to plan than to run.
"""

from django.db import connection

from rentals.runtime.postgres import APPLICATION

KEPT = "kept"
MUCH = 16 * 1024 * 1024
"""Bytes in all tables from which they are truncated rather than deleted from: a demonstration was loaded, or much is dead."""

TABLES = """
    SELECT c.relname, pg_relation_size(c.oid) FROM pg_class c
     WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND c.relname <> 'django_migrations' ORDER BY c.relname
"""
COLUMNS = """
    SELECT string_agg(quote_ident(column_name), ', ' ORDER BY ordinal_position) FROM information_schema.columns
     WHERE table_schema = 'public' AND table_name = %s AND is_generated = 'NEVER'
"""


def keep_rows() -> None:
    """Keep the rows of every table as migrations left them, and make what brings them back. As the owner, once a session."""
    with connection.cursor() as cursor:
        cursor.execute(f"DROP SCHEMA IF EXISTS {KEPT} CASCADE; CREATE SCHEMA {KEPT}")
        cursor.execute(TABLES)
        tables = cursor.fetchall()
        empty = [f'DELETE FROM public."{name}"' for name, _ in tables]
        restore = []
        for table in [name for name, size in tables if size]:
            cursor.execute(COLUMNS, [table])
            (columns,) = cursor.fetchone()
            cursor.execute(f'CREATE TABLE {KEPT}."{table}" AS SELECT {columns} FROM public."{table}"')
            restore.append(f'INSERT INTO public."{table}" ({columns}) SELECT {columns} FROM {KEPT}."{table}"')
        body = "; ".join(empty + restore)
        cursor.execute(f"CREATE FUNCTION {KEPT}.bring_back() RETURNS void LANGUAGE plpgsql AS $body$ BEGIN {body}; END $body$")
        # What backs the database up in a process of its own reads these too.
        cursor.execute(f"GRANT USAGE ON SCHEMA {KEPT} TO {APPLICATION}")
        cursor.execute(f"GRANT SELECT ON ALL TABLES IN SCHEMA {KEPT} TO {APPLICATION}")


def empty_tables() -> None:
    """Bring every table back to what `keep_rows` found: as the owner, past the triggers that keep the books from that."""
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role TO replica")
        try:
            cursor.execute(TABLES)
            sizes = dict(cursor.fetchall())
            if sum(sizes.values()) > MUCH:
                cursor.execute("TRUNCATE " + ", ".join(f'public."{name}"' for name in sizes))
            cursor.execute(f"SELECT {KEPT}.bring_back()")
        finally:
            cursor.execute("SET session_replication_role TO DEFAULT")

"""Emptying the database between transactional tests: what was written goes, what stood there after the migrations stands again.

Django's own way truncates every table and sends `post_migrate`, which takes a second for each of some thousand tests. Here the
rows that migrations leave (chart of accounts, kinds, permissions) are kept once in a schema beside, with their keys.
"""

from django.db import connection

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

_restore: list[str] = []


def keep_rows() -> None:
    """Keep the rows of every table as migrations left them. As the owner, once a session."""
    _restore.clear()
    with connection.cursor() as cursor:
        cursor.execute(f"DROP SCHEMA IF EXISTS {KEPT} CASCADE; CREATE SCHEMA {KEPT}")
        cursor.execute(TABLES)
        for table in [name for name, size in cursor.fetchall() if size]:
            cursor.execute(COLUMNS, [table])
            (columns,) = cursor.fetchone()
            cursor.execute(f'CREATE TABLE {KEPT}."{table}" AS SELECT {columns} FROM public."{table}"')
            _restore.append(f'INSERT INTO public."{table}" ({columns}) SELECT {columns} FROM {KEPT}."{table}"')


def empty_tables() -> None:
    """Bring every table back to what `keep_rows` found: as the owner, past the triggers that keep the books from that."""
    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role TO replica")
        try:
            cursor.execute(TABLES)
            sizes = dict(cursor.fetchall())
            if sum(sizes.values()) > MUCH:
                cursor.execute("TRUNCATE " + ", ".join(f'public."{name}"' for name in sizes))
            else:
                cursor.execute("; ".join(f'DELETE FROM public."{name}"' for name, size in sizes.items() if size))
            cursor.execute("; ".join(_restore))
        finally:
            cursor.execute("SET session_replication_role TO DEFAULT")

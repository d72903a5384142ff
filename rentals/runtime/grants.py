"""What the application role may do. The owner migrates; the application can neither change tables nor rewrite the books."""

from collections.abc import Iterable
from typing import Any

from django.db import connections

APPLICATION_ROLE = "office_app"
APPEND_ONLY_TABLES = ["billing_journalentry", "billing_posting", "billing_closedmonth"]

GRANTS = """
DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = '{role}') AND current_user <> '{role}' THEN
        GRANT USAGE ON SCHEMA public TO {role};
        GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {role};
        GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {role};
        GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA public TO {role};
        {revokes}
    END IF;
END $$;
"""

REVOKE = """
        IF to_regclass('public.{table}') IS NOT NULL THEN
            REVOKE UPDATE, DELETE, TRUNCATE ON {table} FROM {role};
        END IF;
"""


def grant_application_rights(using: str = "default", **_: Any) -> None:
    """Give the application role its rights after every migration; a no-op where that role does not exist."""
    connection = connections[using]
    with connection.cursor() as cursor:
        cursor.execute(statement_for(connection.introspection.table_names(cursor)))


def statement_for(tables: Iterable[str]) -> str:
    """Return the statement that gives the rights over these tables."""
    tables = set(tables)
    append_only = [t for t in APPEND_ONLY_TABLES if t in tables]
    append_only += sorted(t for t in tables if t.endswith("event") and t != "pghistory_event")
    revokes = "".join(REVOKE.format(table=table, role=APPLICATION_ROLE) for table in append_only)
    return GRANTS.format(role=APPLICATION_ROLE, revokes=revokes)

"""Who changed what, and what was there before: the history that triggers write, kept from ever being changed itself.

The events are written by the database (pghistory), so bulk changes and SQL by hand are in them too. Who acted comes from the
request (pghistory's middleware), from `acting_as` in jobs and commands, and is empty for SQL by hand.
"""

from contextlib import AbstractContextManager
from typing import Any

import pghistory
from django.apps import apps
from django.db import connections, models
from pghistory.models import Event

from rentals.staff.models import User

GUARD = """
CREATE OR REPLACE FUNCTION history_is_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'history is kept: % of % is refused', TG_OP, TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END $$;

CREATE OR REPLACE FUNCTION history_context_only_grows() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.id <> OLD.id OR NEW.created_at <> OLD.created_at OR NOT NEW.metadata @> jsonb_strip_nulls(OLD.metadata) THEN
        RAISE EXCEPTION 'history is kept: who acted is never changed' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END $$;

CREATE OR REPLACE TRIGGER context_only_grows BEFORE UPDATE ON pghistory_context
    FOR EACH ROW EXECUTE FUNCTION history_context_only_grows();
CREATE OR REPLACE TRIGGER kept_rows BEFORE DELETE ON pghistory_context FOR EACH ROW EXECUTE FUNCTION history_is_kept();
CREATE OR REPLACE TRIGGER kept_table BEFORE TRUNCATE ON pghistory_context FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();
"""

GUARD_TABLE = """
CREATE OR REPLACE TRIGGER kept_rows BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION history_is_kept();
CREATE OR REPLACE TRIGGER kept_table BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();
CREATE INDEX IF NOT EXISTS {table}_newest ON {table} (pgh_created_at DESC, pgh_id DESC);
"""

PERSON_INDEX = "CREATE INDEX IF NOT EXISTS pghistory_context_person ON pghistory_context ((metadata->>'user'))"


def event_models() -> list[type[models.Model]]:
    """Return the event model of every tracked model, by table name."""
    found = [m for m in apps.get_models(include_auto_created=True) if issubclass(m, Event) and m._meta.managed]
    return sorted(found, key=lambda model: model._meta.db_table)


def guard_history(using: str = "default", **_: Any) -> None:
    """After every migration: every table of events refuses UPDATE, DELETE and TRUNCATE from anybody, and has its index.

    Done here for all of them, so that no room can forget it for a new one. Whoever owns the database and must erase by law
    does it with `session_replication_role`, which only a superuser may set.
    """
    connection = connections[using]
    existing = set(connection.introspection.table_names())
    if "pghistory_context" not in existing:
        return
    with connection.cursor() as cursor:
        cursor.execute(GUARD)
        cursor.execute(PERSON_INDEX)
        for model in event_models():
            if model._meta.db_table in existing:
                cursor.execute(GUARD_TABLE.format(table=model._meta.db_table))


def acting_as(user: User, operation: str, **more: str) -> AbstractContextManager[Any]:
    """Say who acts, for jobs and commands: `with acting_as(user, "billing run"): …`. Requests say it by themselves."""
    context: AbstractContextManager[Any] = pghistory.context(user=user.pk, operation=operation, **more)
    return context

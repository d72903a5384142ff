"""What a database holds, counted so that an archive and its restored copy can be held against each other."""

import os
import subprocess
import tomllib
from typing import Any

import psycopg
from psycopg import sql

from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.hooks import FIGURES
from rentals.runtime.backups.servers import server_major
from rentals.runtime.places import PROJECT

MADE_BY = "rental office"
OURS = "n.nspname NOT IN ('pg_catalog', 'information_schema') AND n.nspname NOT LIKE 'pg\\_%'"
TABLES = f"""
    SELECT n.nspname, c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
     WHERE c.relkind = 'r' AND {OURS} ORDER BY 1, 2
"""
STRUCTURE = {
    "triggers": f"""
        SELECT count(*) FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_namespace n ON n.oid = c.relnamespace
         WHERE NOT t.tgisinternal AND t.tgenabled <> 'D' AND {OURS}""",
    "constraints": f"SELECT count(*) FROM pg_constraint c JOIN pg_namespace n ON n.oid = c.connamespace "
    f"WHERE c.convalidated AND c.contype <> 'n' AND {OURS}",
    "indexes": f"""
        SELECT count(*) FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid JOIN pg_namespace n ON n.oid = c.relnamespace
         WHERE i.indisvalid AND {OURS}""",
    "functions": f"SELECT count(*) FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace WHERE {OURS}",
}
"""Constraints without "not null", which PostgreSQL counts among them from 18 on."""


def describe(connection: psycopg.Connection[Any]) -> dict[str, Any]:
    """Return what the database holds: PostgreSQL's version, migrations, rows by table, structure, sequences, figures.

    All of it under one snapshot when the connection reads repeatably. Raises BackupError for a database that is not ours.
    """
    if connection.execute("SELECT to_regclass('public.django_migrations')").fetchone() == (None,):
        raise BackupError(
            f"The database {connection.info.dbname} has no tables of the office: there is nothing to back up. If this is the "
            "right database, `python3 manage.py migrate` makes them."
        )
    return {
        "postgresql": server_major(connection),
        "postgresql_version": str(connection.execute("SHOW server_version").fetchone()[0]),  # type: ignore[index]
        "migrations": [
            f"{app}.{name}" for app, name in connection.execute("SELECT app, name FROM django_migrations ORDER BY 1, 2")
        ],
        "rows": count_rows(connection),
        "structure": {name: _value(connection, statement) for name, statement in STRUCTURE.items()},
        "sequences": dict(
            connection.execute("SELECT schemaname || '.' || sequencename, coalesce(last_value, 0) FROM pg_sequences").fetchall()
        ),
        "figures": {figure.name: str(_value(connection, figure.statement)) for figure in FIGURES.values()},
    }


def count_rows(connection: psycopg.Connection[Any]) -> dict[str, int]:
    """Count every table's rows."""
    tables = connection.execute(TABLES).fetchall()
    count = sql.SQL("SELECT count(*) FROM {}")
    return {".".join(table): _value(connection, count.format(sql.Identifier(*table))) for table in tables}


def differences(manifest: dict[str, Any], connection: psycopg.Connection[Any]) -> list[str]:
    """Return, as sentences, where a restored copy differs from what its archive says."""
    found = describe(connection)
    wrong = [] if found["migrations"] == manifest["migrations"] else ["the migrations applied are others"]
    for what, words in (("rows", "rows in {}"), ("structure", "{}"), ("figures", "{}")):
        for name, said in manifest[what].items():
            now = found[what].get(name)
            if now is None and what == "figures":
                continue  # a figure that this version counts no more
            if now != said:
                wrong.append(f"{words.format(name)}: {said} in the archive, {now} in the copy")
        wrong += [f"{name}: not in the archive" for name in found["rows"] if what == "rows" and name not in manifest["rows"]]
    for name, said in manifest["sequences"].items():
        if found["sequences"].get(name, -1) < said:
            wrong.append(f"the sequence {name} would give numbers again that were given")
    return wrong


def application_version() -> dict[str, str]:
    """Return version and commit of this program; the commit where the code is a clone, or as OFFICE_COMMIT says."""
    version = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]["version"]
    commit = os.environ.get("OFFICE_COMMIT", "")
    if not commit and (PROJECT / ".git").exists():
        try:
            shown = subprocess.run(["git", "-C", str(PROJECT), "rev-parse", "HEAD"], capture_output=True, text=True)
            commit = shown.stdout.strip()
        except FileNotFoundError:
            commit = ""
    return {"version": str(version), "commit": commit or "unknown"}


def _value(connection: psycopg.Connection[Any], statement: Any) -> Any:
    row = connection.execute(statement).fetchone()
    return row[0] if row else None

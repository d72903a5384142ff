"""A new database beside the old one, and the change of their names: what restoring does on the server, as the owner."""

import datetime
from dataclasses import dataclass

import psycopg
from psycopg import sql

from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.manifest import TABLES
from rentals.runtime.backups.servers import Address, server_major

LONGEST_NAME = 63
"""Bytes of a name in PostgreSQL."""


@dataclass(frozen=True)
class Place:
    """The database that an archive is to become: whether it is there, whether it holds anything, who is signed in to it."""

    exists: bool
    is_empty: bool
    sessions: int
    server: int


def look_at(owner: Address) -> Place:
    """Look at the owner's database without changing anything. Raises BackupError when the server does not answer."""
    with server_of(owner) as server:
        exists = server.execute("SELECT 1 FROM pg_database WHERE datname = %s", [owner.database]).fetchone() is not None
        version, sessions = server_major(server), count_sessions(server, owner.database)
        may_make = server.execute("SELECT rolcreatedb OR rolsuper FROM pg_roles WHERE rolname = current_user").fetchone()
        if may_make != (True,):
            raise BackupError(
                "This account may not make databases: a restore is done by the tables' owner. Set DATABASE_OWNER_URL to the "
                "owner's address (the owner needs CREATEDB)."
            )
    if not exists:
        return Place(False, True, 0, version)
    with owner.connect() as connection:
        return Place(True, not connection.execute(TABLES).fetchall(), sessions, version)


def make_beside(owner: Address, now: datetime.datetime) -> Address:
    """Make an empty database beside the owner's and return its address."""
    name = derived_name(owner.database, "restoring", now)
    with server_of(owner) as server:
        server.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8'").format(sql.Identifier(name)))
    return owner.named(name)


def drop(address: Address) -> None:
    """Drop a database that we made, whoever looks at it."""
    with server_of(address) as server:
        server.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(address.database)))


def swap(owner: Address, copy: Address, now: datetime.datetime, place: Place) -> str:
    """Give the copy the database's name, and the old one another; both or none, in one transaction.

    Returns the name under which the old one is kept, "" when there was none or nothing in it. Raises BackupError when somebody
    is signed in to the old one by now; then nothing changed.
    """
    kept = derived_name(owner.database, "before", now)
    rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
    with server_of(owner) as server:
        try:
            with server.transaction():
                if place.exists:
                    server.execute(rename.format(sql.Identifier(owner.database), sql.Identifier(kept)))
                server.execute(rename.format(sql.Identifier(copy.database), sql.Identifier(owner.database)))
        except psycopg.errors.ObjectInUse as error:
            raise BackupError(in_use(owner.database, count_sessions(server, owner.database))) from error
        if place.exists and place.is_empty:
            server.execute(sql.SQL("DROP DATABASE {}").format(sql.Identifier(kept)))
            return ""
    return kept if place.exists else ""


def in_use(database: str, sessions: int) -> str:
    """Say that the office must be stopped first."""
    return (
        f"The database {database} is in use by {sessions} other connections: stop the office first (web, worker and beat, or the "
        "demo's terminal), then give the command again. Nothing was changed."
    )


def count_sessions(server: psycopg.Connection[object], database: str) -> int:
    """Count who is signed in to a database beside us."""
    asked = (
        "SELECT count(*) FROM pg_stat_activity WHERE datname = %s AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
    )
    row = server.execute(asked, [database]).fetchone()
    return int(str(row[0])) if isinstance(row, tuple) else 0


def server_of(address: Address) -> psycopg.Connection[object]:
    """Connect to the server's own database, each statement for itself."""
    return address.named("postgres").connect(autocommit=True)


def derived_name(database: str, word: str, now: datetime.datetime) -> str:
    """Name a database after another one: `office_before_20261128t201500`."""
    tail = f"_{word}_{now.astimezone(datetime.UTC):%Y%m%dt%H%M%S}"
    return database.encode()[: LONGEST_NAME - len(tail)].decode(errors="ignore") + tail

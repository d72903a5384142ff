"""A migrated, empty database kept between test runs: replaying every migration takes longer than most tests.

Its name carries a hash of all migrations, so a changed one is never missed; what `post_migrate` makes is made anew each time.
Only on this clone's own server: nothing is left behind on anybody else's.
"""

import hashlib
import os

import psycopg

from rentals.runtime.bootstrap import LOCK, PROJECT

PREFIX = "migrated_"


def name() -> str:
    """Return the name for the migrations as they are now."""
    digest = hashlib.sha256(LOCK.read_bytes())
    for path in sorted(PROJECT.glob("*/**/migrations/*.py")):
        digest.update(str(path.relative_to(PROJECT)).encode() + path.read_bytes())
    return PREFIX + digest.hexdigest()[:20]


def server() -> psycopg.Connection[tuple[object, ...]]:
    """Connect as the owner, to no test database."""
    address = os.environ["DATABASE_URL"].replace("/office?", "/postgres?")
    return psycopg.connect(address, autocommit=True)


def is_ours() -> bool:
    """Return whether the server is this clone's own."""
    return os.environ.get("OFFICE_TEST_SERVER") == "own"


def exists() -> bool:
    """Return whether an earlier run left a database with these very migrations."""
    if not is_ours():
        return False
    with server() as opened:
        return opened.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name()]).fetchone() is not None


def template() -> list[str]:
    """Return what has `manage.py bench` begin with a copy of that database, where there is one."""
    return ["--template", name()] if exists() else []


def keep(test_database: str) -> None:
    """Keep a copy of the freshly migrated test database, and drop those of other migrations."""
    if not is_ours() or exists():
        return
    with server() as opened:
        for (old,) in opened.execute("SELECT datname FROM pg_database WHERE datname LIKE %s", [PREFIX + "%"]).fetchall():
            opened.execute(f'DROP DATABASE "{old}"')
        opened.execute(f'CREATE DATABASE "{name()}" TEMPLATE "{test_database}"')

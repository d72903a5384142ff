"""An office's database of its own on the test server, with a document, a number series and an account of a few rows in it."""

import datetime
import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from psycopg import sql

from rentals.runtime.backups import copies, hooks
from rentals.runtime.backups.keys import Key
from rentals.runtime.backups.making import Made, make_backup
from rentals.runtime.backups.restoring import Order
from rentals.runtime.backups.servers import Address
from tests import migrated

NOW = datetime.datetime(2026, 11, 28, 20, 15, tzinfo=datetime.UTC)
CANARY = "canary-of-the-cellar-5531"


@dataclass(frozen=True)
class Site:
    """Where a test's office lives: its database for both roles, its folders and its key."""

    owner: Address
    application: Address
    folder: Path
    files: Path
    key: Key

    def back_up(self, now: datetime.datetime = NOW) -> Made:
        return make_backup(source=self.application, folder=self.folder, key=self.key, files=self.files, now=now)

    def order(self, archive: Path, **words) -> Order:
        return Order(
            archive=archive, folder=self.folder, key=self.key, owner=self.owner, application=self.application, files=self.files,
            **words,
        )  # fmt: skip

    def ask(self, statement: str):
        with self.owner.connect() as connection:
            return connection.execute(statement).fetchone()[0]

    def state(self) -> tuple:
        """What must be the same after a refusal: the databases there are, and what this one says."""
        with copies.server_of(self.owner) as server:
            names = server.execute("SELECT array_agg(datname::text ORDER BY datname) FROM pg_database").fetchone()[0]
        return names, self.ask("SELECT count(*) FROM documents_document"), self.ask("SELECT name FROM staff_office")


def addresses(database: str) -> tuple[Address, Address]:
    """Give owner's and application's address of a database of the test server."""
    return tuple(Address.of(os.environ[name]).named(database) for name in ("DATABASE_URL", "OFFICE_TEST_APP_URL"))


def make_office(owner: Address) -> None:
    """Make a migrated database with a few rows."""
    template = migrated.name() if migrated.exists() else None
    with copies.server_of(owner) as server:
        server.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(owner.database)))
        made = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
        server.execute(made.format(sql.Identifier(owner.database), sql.Identifier(template or "template0")))
    if template is None:
        from rentals.runtime.backups.restoring import run

        run(["migrate", "--noinput", "--verbosity=0"], owner.as_url(), "Migrating")
    content = b"%PDF-1.7 " + CANARY.encode()
    with owner.connect() as connection:
        connection.execute("DELETE FROM staff_office")
        columns = connection.execute(
            "SELECT column_name, data_type FROM information_schema.columns "
            "WHERE table_name = 'staff_office' AND is_nullable = 'NO' AND column_default IS NULL AND is_identity = 'NO'"
        ).fetchall()
        values = {
            name: {"numeric": 0, "integer": 1, "smallint": 1, "bigint": 1, "boolean": False}.get(kind, "")
            for name, kind in columns
        }
        values["name"] = f"Shop {CANARY}"
        connection.execute(
            sql.SQL("INSERT INTO staff_office ({}) VALUES ({})").format(
                sql.SQL(", ").join(map(sql.Identifier, values)), sql.SQL(", ").join(sql.Placeholder() * len(values))
            ),
            list(values.values()),
        )
        connection.execute(
            """
            INSERT INTO documents_document (key, kind, about, title, language, payload, state, content, sha256, asked_at, made_at,
                                            attempts, last_error)
            VALUES ('a', 'receipt', 'payment/1', 'Receipt', 'en', '{}', 'made', %s, %s, now(), now(), 1, '')""",
            [content, hashlib.sha256(content).hexdigest()],
        )
        connection.execute("INSERT INTO staff_numberseries VALUES ('agreement', 1042) ON CONFLICT (name) DO NOTHING")


@pytest.fixture(scope="session")
def office_template(django_db_setup, tmp_path_factory) -> Site:
    """The office that each test gets a copy of, with an archive of it."""
    hooks.discover()
    owner, application = addresses("backing_office")
    make_office(owner)
    place = tmp_path_factory.mktemp("backing")
    files = place / "files"
    (files / "letters").mkdir(parents=True)
    (files / "letters" / "one.txt").write_text(f"a file, {CANARY}")
    yield Site(owner, application, place / "backups", files, Key(b"nine random words that nobody else has", place / "key"))
    copies.drop(owner)


@pytest.fixture(scope="session")
def archive(office_template) -> Made:
    return office_template.back_up()


@pytest.fixture
def site(office_template, tmp_path) -> Site:
    """The office in folders of this test's own; the database is shared and must come out unchanged."""
    return replace(office_template, folder=tmp_path / "backups", files=tmp_path / "files")

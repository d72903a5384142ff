"""What every test stands on: the database under the application's own rights, raw connections, races, the browser."""

import threading
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import psycopg
import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.db import connection, connections
from django.db.backends.signals import connection_created
from django.test import Client, TransactionTestCase
from hypothesis.internal.conjecture import providers

from rentals.runtime.testing import APPLICATION, step_down
from tests import emptying, kept_demo, migrated
from tests.browser import *  # noqa: F403 - fixtures


@pytest.fixture(scope="session", autouse=True)
def only_the_seed_steers_chance() -> Iterator[None]:
    """Let CI see the same examples until the test itself changes.

    With CI=true Hypothesis draws from a seed made of the test's own text. It also draws from the numbers it reads in all of our
    modules that are loaded, so that a change anywhere would send it other ways; those are kept from it.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(providers, "_get_local_constants", providers.Constants)
        patch.setattr(providers, "CONSTANTS_CACHE", providers.LRUCache(1024))
        yield


@pytest.fixture(scope="session", autouse=True)
def passwords_cost_little() -> Iterator[dict[str, int]]:
    """Keep passwords with Argon2 as always, but by its least figures: tests sign in hundreds of times. Give the office's own."""
    least = {"time_cost": 1, "memory_cost": 8, "parallelism": 1}
    own = {name: getattr(Argon2PasswordHasher, name) for name in least}
    with pytest.MonkeyPatch.context() as patch:
        for name, figure in least.items():
            patch.setattr(Argon2PasswordHasher, name, figure)
        yield own


@pytest.fixture(scope="session", autouse=True)
def backups_lie_aside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Whatever backs up during tests, also in processes that they start, leaves its archives in the run's own folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OFFICE_BACKUP_DIR", str(tmp_path_factory.mktemp("archives")))
        yield


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings: None) -> None:
    """Copy the test database from one that an earlier run migrated, where the migrations are still the same."""
    if migrated.exists():
        connection.settings_dict["TEST"]["TEMPLATE"] = migrated.name()


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Once the owner has made and migrated the test database, every connection lives under the application's rights."""
    with django_db_blocker.unblock():
        connections.close_all()
        migrated.keep(str(connection.settings_dict["NAME"]))
        emptying.keep_rows()
        connections.close_all()
    connection_created.connect(step_down, dispatch_uid="tests.step_down")
    with pytest.MonkeyPatch.context() as patch:
        let_the_owner_empty_tables(patch)
        yield
    connection_created.disconnect(dispatch_uid="tests.step_down")


def let_the_owner_empty_tables(patch: pytest.MonkeyPatch) -> None:
    """Between transactional tests the owner empties all tables, on the same connection: a new one reads the whole catalogue anew.

    Django would close it in case a test rolled back what was set for the session; role and time zone are set outside of
    any transaction here.
    """

    def tear_down_as_owner(self: TransactionTestCase) -> None:
        run("RESET ROLE")
        try:
            emptying.empty_tables()
        finally:
            run(f"SET ROLE {APPLICATION}")

    patch.setattr(TransactionTestCase, "_fixture_teardown", tear_down_as_owner)
    patch.setattr(TransactionTestCase, "_should_reload_connections", lambda self: False)


def run(statement: str) -> None:
    """Run a statement on Django's own connection."""
    with connection.cursor() as cursor:
        cursor.execute(statement)


def raw_connection(*, as_owner: bool) -> psycopg.Connection[Any]:
    """Open a connection of its own to the test database, each statement its own transaction."""
    settings = connection.settings_dict
    password = {"password": settings["PASSWORD"]} if settings["PASSWORD"] else {}
    port = {"port": settings["PORT"]} if settings["PORT"] else {}
    opened = psycopg.connect(
        host=settings["HOST"], user=settings["USER"], dbname=settings["NAME"], autocommit=True, **password, **port
    )  # fmt: skip
    if not as_owner:
        opened.execute(f"SET ROLE {APPLICATION}")
    return opened


@pytest.fixture
def owner_cursor(transactional_db: None) -> Iterator[psycopg.Cursor[Any]]:
    """A raw cursor of the tables' owner. It sees only what is committed; each statement commits."""
    with raw_connection(as_owner=True) as opened, opened.cursor() as cursor:
        yield cursor


@pytest.fixture
def demo(transactional_db: None) -> Iterator[Callable[..., None]]:
    """`demo(households=100)` has the demonstration in the database: loaded once in a run, then brought back."""
    with raw_connection(as_owner=True) as opened:
        yield partial(kept_demo.load_demo, opened)


@pytest.fixture
def app_cursor(transactional_db: None) -> Iterator[psycopg.Cursor[Any]]:
    """A raw cursor with the application's rights. It sees only what is committed; each statement commits."""
    with raw_connection(as_owner=False) as opened, opened.cursor() as cursor:
        yield cursor


@pytest.fixture
def race(transactional_db: None) -> Callable[..., list[Any]]:
    """Run callables at the same moment, each on its own connection: `race(first, second)` gives their results or exceptions."""

    def start(*runners: Callable[[], Any], seconds: float = 30) -> list[Any]:
        barrier = threading.Barrier(len(runners))
        outcomes: list[Any] = [TimeoutError("still running")] * len(runners)

        def go(place: int, runner: Callable[[], Any]) -> None:
            try:
                connection.ensure_connection()
                barrier.wait(timeout=seconds)
                outcomes[place] = runner()
            except Exception as error:
                outcomes[place] = error
            finally:
                connections.close_all()

        threads = [threading.Thread(target=go, args=pair, daemon=True) for pair in enumerate(runners)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=seconds)
        return outcomes

    return start


@pytest.fixture
def client_as(db: None) -> Callable[..., Client]:
    """`client_as("bookkeeper")` gives a client signed in as a new person of that role; `client_as(user)` as that person.

    The person stands at `client.user`. Keywords go to Client: `client_as(role, enforce_csrf_checks=True)`.
    """
    from rentals.staff.models import User
    from tests.factories import UserFactory

    def sign_in(person: Any, **options: Any) -> Client:
        user = person if isinstance(person, User) else UserFactory(role=person)
        client = Client(**options)
        client.force_login(user)
        client.user = user  # type: ignore[attr-defined]
        return client

    return sign_in

"""A pytest plugin: the test run's own servers, one run at a time, and tests that live under the application's rights.

Loaded by `-p rentals.runtime.testing`, because the servers must be up before pytest-django reads the settings.
"""

import atexit
import fcntl
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rentals.runtime.errors import StartError
from rentals.runtime.places import make_folder, state_dir
from rentals.runtime.postgres import APPLICATION, Postgres
from rentals.runtime.servers import Server
from rentals.runtime.system import missing_for_browser
from rentals.runtime.valkey import Valkey


@pytest.hookimpl(wrapper=True)
def pytest_load_initial_conftests() -> Iterator[None]:
    """Start the servers before anything reads settings."""
    # Worker processes of pytest-xdist inherit the addresses, and the lock is their parent's.
    if "PYTEST_XDIST_WORKER" not in os.environ:
        try:
            start_servers(state_dir() / "test")
        except StartError as error:
            raise pytest.UsageError(str(error)) from error
    return (yield)


def start_servers(folder: Path) -> None:
    """Bring up this clone's test servers, or those that DATABASE_URL and REDIS_URL name."""
    make_folder(folder, mode=0o711 if os.geteuid() == 0 else 0o700)
    make_folder(folder / "static")
    os.environ["OFFICE_STATE_DIR"] = str(folder)
    wait_for_turn(folder / "run.lock")
    if "DATABASE_URL" not in os.environ:
        database = Postgres(folder / "postgres", durable=False)
        join(database)
        os.environ.update(DATABASE_URL=database.url, DATABASE_OWNER_URL=database.owner_url, OFFICE_TEST_SERVER="own")
    # The test database is made, migrated and dropped by its owner; the tests themselves then step down (tests/conftest.py).
    os.environ["OFFICE_TEST_APP_URL"] = os.environ["DATABASE_URL"]
    os.environ["DATABASE_URL"] = os.environ.get("DATABASE_OWNER_URL", os.environ["DATABASE_URL"])
    if "REDIS_URL" not in os.environ:
        broker = Valkey(folder / "valkey", durable=False)
        join(broker)
        os.environ["REDIS_URL"] = broker.url


def join(server: Server) -> None:
    """Use a server until this process ends."""
    atexit.register(server.leave)
    server.use()


def wait_for_turn(path: Path) -> None:
    """Let one test run go at a time: two in one clone would drop each other's test database."""
    handle = path.open("a+")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        handle.seek(0)
        sys.stderr.write(
            f"Another test run of this clone is under way (process {handle.read().strip()}); waiting for it to end.\n"
        )
        fcntl.flock(handle, fcntl.LOCK_EX)
    handle.truncate(0)
    handle.write(str(os.getpid()))
    handle.flush()
    atexit.register(handle.close)


def pytest_configure(config: pytest.Config) -> None:
    """Name the marks of this house."""
    config.addinivalue_line("markers", "browser: drives a real browser (Chromium); given to whatever uses `browser`")
    config.addinivalue_line("markers", "hledger: has the journal read by hledger, from Debian's packages")
    config.addinivalue_line("markers", "core: runs once more against another PostgreSQL, if the machine has one")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the browser tests; skip them, and those of hledger, where it is missing; where CI=true they fail instead.

    Whatever uses the running office goes last: once started it works on until the run ends, on the same database and queue.
    """
    items.sort(key=lambda item: "office_processes" in getattr(item, "fixturenames", ()))
    missing = missing_for_browser()
    for item in items:
        if item.get_closest_marker("hledger") and not shutil.which("hledger") and not in_ci():
            item.add_marker(pytest.mark.skip(reason="no hledger here: apt-get install hledger"))
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")
            if missing and not in_ci():
                item.add_marker(pytest.mark.skip(reason=no_browser(missing)))


def no_browser(missing: list[str]) -> str:
    """Say what browser tests need."""
    return f"no browser to drive here: apt-get install --no-install-recommends {' '.join(missing)}"


def pytest_sessionfinish(session: pytest.Session) -> None:
    """In CI nothing may be left out."""
    if in_ci() and skipped(session.config) and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Name every test that was left out: a quiet skip looks like a pass."""
    left_out = skipped(config)
    if left_out:
        terminalreporter.section(f"{len(left_out)} tests NOT RUN" + (" (which CI does not allow)" if in_ci() else ""))
        for report in left_out:
            terminalreporter.write_line(f"{report.nodeid}: {report.longrepr[2] if report.longrepr else ''}")


def skipped(config: pytest.Config) -> list[Any]:
    """Return the reports of the tests that did not run."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    return list(reporter.stats.get("skipped", [])) if reporter else []


def in_ci() -> bool:
    """Return whether this run decides whether a change is let in."""
    return os.environ.get("CI", "").lower() in {"1", "true"}


def step_down(connection: Any, **_: Any) -> None:
    """Give a new connection to the test database the application's rights, no more."""
    if connection.alias == "default" and str(connection.settings_dict["NAME"]).startswith("test_"):
        with connection.cursor() as cursor:
            cursor.execute(f"SET ROLE {APPLICATION}")

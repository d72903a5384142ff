"""Fixtures for tests in a real browser: Chromium, a page that holds the content security policy, the office's own processes."""

import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from django.db import connections
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect, sync_playwright

from rentals.runtime import demo, processes
from rentals.runtime.supervisor import Program, Supervisor
from rentals.runtime.system import browser_program, missing_for_browser
from rentals.runtime.testing import no_browser

FLAGS = [
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-quic", "--no-first-run"),
    *("--disable-default-apps", "--disable-domain-reliability", "--disable-features=OptimizationHints,MediaRouter"),
    *("--no-pings", "--metrics-recording-only", "--font-render-hinting=none"),
    *("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"),  # a test picture for whoever is allowed the camera
]


PATIENCE_MS = 20_000
"""So long a page may take: another half of the tests is at work on the same machine."""


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for the run; it does not speak to the network by itself."""
    expect.set_options(timeout=PATIENCE_MS)
    program = browser_program()
    assert program, no_browser(missing_for_browser())
    # Playwright keeps an event loop in this thread, which Django would take for asynchronous code.
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        root = ["--no-sandbox"] if os.geteuid() == 0 else []
        opened = playwright.chromium.launch(executable_path=program, args=[*FLAGS, *root])
        yield opened
        opened.close()
        # What this loop's side of the thread had opened nobody can close from outside of it.
        connections.close_all()
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@dataclass
class Complaints:
    """What the browser complained about on a page."""

    policy: list[str]
    script: list[str]

    def hear(self, message: ConsoleMessage) -> None:
        """Keep what breaks the content security policy."""
        if "Content Security Policy" in message.text or "Content-Security-Policy" in message.text:
            self.policy.append(message.text)


@pytest.fixture
def complaints() -> Complaints:
    """What the pages of this test made the browser complain about; `page` holds at its end that there is nothing."""
    return Complaints([], [])


@pytest.fixture
def context(browser: Browser, complaints: Complaints) -> Iterator[BrowserContext]:
    """A fresh browser profile; every page in it is listened to."""
    opened = browser.new_context(viewport={"width": 1280, "height": 800}, locale="en-US", timezone_id="America/Chicago")
    opened.on("console", complaints.hear)
    opened.on("weberror", lambda error: complaints.script.append(str(error.error)))
    opened.set_default_timeout(PATIENCE_MS)
    yield opened
    opened.close()
    assert complaints.policy == []
    assert complaints.script == []


@pytest.fixture
def page(context: BrowserContext) -> Page:
    """A page; breaking the content security policy, or an error in a script, fails the test."""
    return context.new_page()


RUN_AXE = """() => axe.run({ resultTypes: ["violations"] }).then(({ violations }) => violations.flatMap(
    each => each.nodes.map(node => `${each.id}: ${node.html.slice(0, 200)}`)))"""


def list_violations(page: Page) -> list[str]:
    """List what axe-core finds wrong with a page as it stands (WCAG 2.2 A and AA, best practices): rule and element in a string.

    The script is put into a page once, so looking again at another width or in another theme is cheap.
    """
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found: list[str] = page.evaluate(RUN_AXE)
    return found


@dataclass
class Office:
    """The office's own processes, against the test database."""

    url: str
    supervisor: Supervisor

    @property
    def lines(self) -> str:
        """What web, worker and beat have said so far."""
        out = self.supervisor.out
        assert isinstance(out, StringIO)
        return out.getvalue()


@contextmanager
def processes_running(programs: Callable[[str], Sequence[Program]], **more: str) -> Iterator[Office]:
    """Run `programs` (given where the web server listens; it is the first) against the test database, with `more` variables."""
    from django.conf import settings

    port = next(port for port in range(18_000, 18_900) if demo.can_bind(port))
    parts = urlsplit(os.environ["OFFICE_TEST_APP_URL"])
    database = urlunsplit(parts._replace(path="/" + str(settings.DATABASES["default"]["NAME"])))
    variables = {
        "DATABASE_URL": database,
        "OFFICE_DEMO": "1",
        "OFFICE_DB_POOL": "1",
        "PYTHONUNBUFFERED": "1",
        "OFFICE_DEBUG": "0",
    }
    kept = {key: value for key, value in os.environ.items() if key != "DATABASE_OWNER_URL"}
    supervisor = Supervisor(environment=kept | variables | more, out=StringIO())
    ready = threading.Event()
    failures: list[Exception] = []

    def keep_running() -> None:
        try:
            supervisor.run_to_end(
                Program("static", [sys.executable, "-m", "django", "collectstatic", "--noinput", "--verbosity=0"])
            )
            web, *others = programs(f"{demo.HOST}:{port}")
            supervisor.start(web)
            supervisor.wait_until(lambda: demo.answers(port), "web", seconds=60)
            for program in others:
                supervisor.start(program)
            supervisor.wait_until(lambda: " ready." in supervisor.out.getvalue(), "worker", seconds=60)  # type: ignore[attr-defined]
            ready.set()
            supervisor.watch()
        except Exception as error:
            failures.append(error)
        finally:
            ready.set()
            supervisor.stop()

    thread = threading.Thread(target=keep_running)
    thread.start()
    ready.wait(timeout=120)
    try:
        yield Office(f"http://{demo.HOST}:{port}", supervisor)
    finally:
        supervisor._ask_to_stop()
        thread.join(timeout=30)
    if failures:
        raise failures[0]


@pytest.fixture(scope="session")
def office_processes(django_db_setup: None) -> Iterator[Office]:
    """Web server, worker and beat, started once as the demo starts them."""
    state = Path(os.environ["OFFICE_STATE_DIR"])
    with processes_running(
        lambda bind: [processes.web(bind, workers=1), processes.worker(processes=1), processes.beat(state)]
    ) as running:
        yield running


@pytest.fixture
def office(office_processes: Office, transactional_db: None) -> Office:
    """The running processes, with an empty database and an empty queue."""
    from rentals.celery import app

    app.control.purge()
    return office_processes


__all__ = ["browser", "complaints", "context", "office", "office_processes", "page", "processes_running"]

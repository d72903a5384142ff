"""`python3 manage.py test`: everything that must hold before a change is shared. With arguments, pytest alone gets them."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.system import install_for_tests


@dataclass(frozen=True)
class Step:
    """One check: what it is called, and what the interpreter is given."""

    name: str
    words: tuple[str, ...]


LINT_IMPORTS = "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())"
STEPS = [
    Step("types", ("-m", "mypy", ".")),
    Step("formatting", ("-m", "ruff", "format", "--check", ".")),
    Step("lint", ("-m", "ruff", "check", ".")),
    Step("imports between rooms", ("-c", LINT_IMPORTS)),
    Step("migrations", ("-m", "django", "makemigrations", "--check", "--dry-run", "--settings", "rentals.settings")),
    Step("templates", ("-m", "djlint", "templates", "--lint", "--quiet")),
]


def run(arguments: list[str]) -> int:
    """Run every step and then all tests; return 0 only when all of it passed. The last line is always pytest's summary."""
    install_for_tests()
    if arguments:
        return tests(arguments)
    failed = list_failures()
    if failed:
        say(f"These checks failed: {', '.join(failed)}. The tests run all the same:")
    return tests([]) or (1 if failed else 0)


def list_failures() -> list[str]:
    """Run the steps and the core tests, two at a time and the longest first; return the names of those that failed."""
    checks: dict[str, Callable[[], bool]] = {"core tests on another PostgreSQL": passes_elsewhere}
    checks |= {step.name: partial(passes, step) for step in STEPS}
    with ThreadPoolExecutor(max_workers=2) as both:
        outcomes = list(both.map(lambda check: check(), checks.values()))
    return [name for name, passed in zip(checks, outcomes, strict=True) if not passed]


def tests(arguments: list[str]) -> int:
    """Run pytest and return its exit code."""
    return subprocess.run([sys.executable, "-m", "pytest", *arguments], cwd=PROJECT).returncode


def passes(step: Step, **variables: str) -> bool:
    """Run one step, show its outcome in a line, and its output only if it failed."""
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, *step.words],
        cwd=PROJECT,
        env={**os.environ, "OFFICE_NO_BOOTSTRAP": "1", **variables},
        capture_output=True,
        text=True,
    )
    outcome = "ok" if done.returncode == 0 else "FAILED"
    say(f"{step.name:<34} {outcome:<7} {time.monotonic() - began:5.1f} s")
    if done.returncode:
        say(done.stdout + done.stderr)
    return done.returncode == 0


def passes_elsewhere() -> bool:
    """Run the core tests against the system's own PostgreSQL too: another version, another build, another collation."""
    programs = other_postgres()
    if programs is None or "DATABASE_URL" in os.environ:
        say(f"{'core tests on another PostgreSQL':<34} none here")
        return True
    version = programs.parent.name
    step = Step(f"core tests on PostgreSQL {version}", ("-m", "pytest", "-m", "core", "-q"))
    state = Path(os.environ.get("OFFICE_STATE_DIR", PROJECT / ".state")) / f"other-{version}"
    state.mkdir(parents=True, exist_ok=True)
    state.chmod(0o711)
    return passes(step, OFFICE_POSTGRES_PROGRAMS=str(programs), OFFICE_STATE_DIR=str(state))


def other_postgres() -> Path | None:
    """Return the programs of a PostgreSQL that the system has, the newest if there are several."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


def say(text: str) -> None:
    """Print at once, so that lines stay in order with those of the programs."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()

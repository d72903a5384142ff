"""`python3 manage.py test`: everything that must hold before a change is shared. With arguments, pytest alone gets them."""

import datetime
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.system import install_for_tests


@dataclass(frozen=True)
class Step:
    """One check: what it is called, and what the interpreter is given."""

    name: str
    words: tuple[str, ...]


FIRST_HALF = frozenset(
    {"billing", "agreements", "runtime", "staff", "documents", "look", "lives", "stateful", "jobs", "proof", "test_settings.py"}
)
"""Folders that take about half of the time together."""

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
    return all_tests() or (1 if failed else 0)


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


def all_tests() -> int:
    """Run every test and return 0 when all passed: in two halves side by side, each with servers of its own.

    Where outside servers are named, one after the other. What the second half says comes after the first has ended; the last line
    adds both summaries up.
    """
    if "DATABASE_URL" in os.environ or "REDIS_URL" in os.environ or (os.cpu_count() or 1) < 2:
        return tests([])
    began = time.monotonic()
    with tempfile.TemporaryFile("w+") as said:
        second = start_half("second", said)
        first, summary = follow(start_half("first", subprocess.PIPE))
        second.wait()
        said.seek(0)
        rest = said.read()
    say(rest)
    say(added_up(summary, rest.rstrip().rpartition("\n")[2], time.monotonic() - began))
    return first or second.returncode


def start_half(name: str, out: Any) -> subprocess.Popen[str]:
    """Start pytest on one half of the tests; the second takes every folder that is not named for the first."""
    here = {path.name for path in (PROJECT / "tests").iterdir() if path.is_dir() or path.name.startswith("test_")}
    wanted = sorted(here & FIRST_HALF if name == "first" else here - FIRST_HALF - {"__pycache__", "data"})
    state = Path(os.environ.get("OFFICE_STATE_DIR", PROJECT / ".state")) / f"{name}-half"
    state.mkdir(parents=True, exist_ok=True)
    state.chmod(0o711)
    return subprocess.Popen(
        [sys.executable, "-m", "pytest", "-o", f"cache_dir=.pytest_cache/{name}", *(f"tests/{each}" for each in wanted)],
        cwd=PROJECT,
        env={**os.environ, "OFFICE_STATE_DIR": str(state), "OFFICE_TEST_HALF": name},
        stdout=out,
        stderr=subprocess.STDOUT,
        text=True,
    )


def follow(half: subprocess.Popen[str]) -> tuple[int, str]:
    """Show what a half says as it says it; return its exit code and its last line."""
    assert half.stdout is not None
    last = ""
    with half:
        for line in half.stdout:
            sys.stdout.write(line)
            sys.stdout.flush()
            last = line.strip() or last
    return half.returncode, last


def added_up(first: str, second: str, seconds: float) -> str:
    """Add two summaries of pytest up to one line of the same form.

    >>> added_up("== 2 failed, 3 passed in 4.00s ==", "5 passed, 1 error in 1.00s (0:00:01)", 61)
    '2 failed, 8 passed, 1 error in 61.00s (0:01:01)'
    """
    counts: dict[str, int] = {}
    for count, outcome in re.findall(r"(\d+) ([a-z]+)(?=,| in )", f"{first}\n{second}"):
        name = outcome.removesuffix("s") if outcome in ("errors", "warnings") else outcome
        counts[name] = counts.get(name, 0) + int(count)
    plural = {name: f"{name}s" for name in ("error", "warning")}
    told = ", ".join(f"{count} {plural.get(name, name) if count > 1 else name}" for name, count in counts.items())
    told = told or "no tests ran"
    return f"{told} in {seconds:.2f}s ({datetime.timedelta(seconds=int(seconds))})"


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

"""House rules that no linter knows. Each takes a file's text and gives the breaches it finds, one line each."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from rentals.runtime.bootstrap import PROJECT

PYTHON_FOLDERS = ("rentals", "schools", "billing", "tests")
LONGEST_FILE = 500
LONGEST_FUNCTION = 60


def python_files() -> list[Path]:
    """Return the project's Python files, generated migrations left out."""
    files = [PROJECT / "manage.py", *(path for folder in PYTHON_FOLDERS for path in (PROJECT / folder).rglob("*.py"))]
    return [path for path in files if "migrations" not in path.parts]


def templates() -> list[Path]:
    """Return the project's HTML templates."""
    return [path for folder in ("templates", "rentals", "schools", "billing") for path in (PROJECT / folder).rglob("*.html")]


def unfinished(text: str) -> Iterator[str]:
    """Nothing is left for later, and a silenced check says which one."""
    words = "|".join(["TO" + "DO", "FIX" + "ME", "XX" + "X", "HA" + "CK"])
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(rf"(#|<!--|\{{#).*\b({words})\b", line):
            yield f"{number}: left for later"
        if re.search(r"#\s*noqa(?!: ?[A-Z]+[0-9]+)", line) or re.search(r"#\s*type: ignore(?!\[)", line):
            yield f"{number}: a silenced check without its code"


def too_long(text: str) -> Iterator[str]:
    """A file is read in one sitting, a function at one glance."""
    if len(text.splitlines()) > LONGEST_FILE:
        yield f"{len(text.splitlines())} lines: split it"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.end_lineno - node.lineno + 1 > LONGEST_FUNCTION:
            yield f"{node.lineno}: {node.name} has {node.end_lineno - node.lineno + 1} lines"


def day_of_greenwich(text: str) -> Iterator[str]:
    """An instant's day is the office's: `timezone.localdate(instant)`. Bare, `.date()` and a format give the day in UTC."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            of = ast.unparse(node.func.value)
            if (
                node.func.attr == "date"
                and not node.args
                and not re.search(r"local|astimezone|strptime|fromtimestamp|^cell$", of)
            ):
                yield f"{node.lineno}: the day of {of}; say timezone.localdate({of})"
            if node.func.attr in {"now", "today", "utcnow"} and re.search(r"(^|\.)(datetime|date|timezone)$", of):
                yield f"{node.lineno}: {of} reads the clock"
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            of = ast.unparse(node.value)
            if "%" in ast.unparse(node.format_spec) and re.search(r"_at$|(^|\.)now$|now\(\)$", of):
                yield f"{node.lineno}: {of} written out in UTC; say timezone.localtime({of})"


def skipped_tests(text: str) -> Iterator[str]:
    """A test runs, or it is not there."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(r"pytest\.(mark\.(skip|skipif|xfail)\b|skip\(|xfail\(|importorskip)", line):
            yield f"{number}: a test that may not run"


def broad_catch_in_transaction(text: str) -> Iterator[str]:
    """`except Exception` inside a transaction hides that the transaction is broken."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.With) and any("atomic" in ast.dump(item.context_expr) for item in node.items):
            for inner in ast.walk(node):
                if isinstance(inner, ast.ExceptHandler) and (inner.type is None or "'Exception'" in ast.dump(inner.type)):
                    yield f"{inner.lineno}: catches everything inside a transaction"


def inline_code(text: str) -> Iterator[str]:
    """The content security policy forbids it: scripts, styles and handlers stand in files."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(r"<script(?![^>]*\bsrc=)[^>]*>", line) and "application/json" not in line:
            yield f"{number}: a script in the page"
        if re.search(r"<style\b|\sstyle=", line):
            yield f"{number}: a style in the page"
        if re.search(r"<[^>]*\son[a-z]+\s*=", line) or "hx-on" in line or "javascript:" in line:
            yield f"{number}: a handler in the page"


def browser_validation(text: str) -> Iterator[str]:
    """The office itself says what is wrong, kindly and once; the browser's own bubbles stay away."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(r"""type=["']number""", line):
            yield f"{number}: a number input (scrolling changes it)"
        if re.search(r"<(input|select|textarea)[^>]*\s(required|pattern|min|max)\b", line):
            yield f"{number}: validation by the browser"


def raw_amounts_and_dates(text: str) -> Iterator[str]:
    """Amounts and dates go through `|money` and `|day` only."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(r"\{\{[^}]*\|\s*(floatformat|date|localize|intcomma|naturalday)\b", line):
            yield f"{number}: use |money or |day"

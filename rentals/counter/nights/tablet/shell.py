"""The page of the tablet and every file it needs: what the tablet keeps, so that it opens without a network.

The page is the same for everybody and every night: it says nothing about a person, and the night stands in its address only.
"""

import hashlib
import posixpath
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string

SHELL = "counter/nights/tablet/shell.html"
STEPS = "counter/nights/tablet/steps"
TONES = ("good", "warn", "bad", "info", "quiet")
IMPORT = re.compile(r"""(?:\bfrom|\bimport)\s*\(?\s*["'](\.{1,2}/[^"']+\.js)["']""")
ADDRESS = re.compile(r"""url\(\s*["']?([^"')]+)["']?\s*\)""")


@dataclass(frozen=True)
class Kept:
    """What a tablet keeps: the page's text, the addresses of its files, and a version that changes when any of them does."""

    page: str
    files: tuple[str, ...]
    version: str


def list_steps() -> list[str]:
    """Return the templates of the questions, by name."""
    folder = settings.BASE_DIR / "templates" / STEPS
    return sorted(f"{STEPS}/{file.name}" for file in folder.glob("*.html"))


def make_page() -> str:
    """Return the text of the page. Nothing of the request goes into it."""
    return render_to_string(SHELL, {"steps": list_steps(), "tones": TONES, "is_demo": settings.DEMO})


def read_file(name: str) -> bytes | None:
    """Return a static file as it is served under `name` (with or without a fingerprint); None when there is none."""
    made = Path(settings.STATIC_ROOT) / name
    found = made if made.is_file() else finders.find(name)
    return Path(str(found)).read_bytes() if found else None


def follow(name: str, text: str) -> Iterator[str]:
    """Yield the names of the files that a script imports or a style sheet draws on.

    >>> list(follow("css/a.css", 'src: url("../fonts/b.woff2")')), list(follow("js/n/a.js", 'import { b } from "../b.js";'))
    (['fonts/b.woff2'], ['js/b.js'])
    """
    pattern = {".js": IMPORT, ".css": ADDRESS}.get(posixpath.splitext(name)[1])
    for written in pattern.findall(text) if pattern else ():
        bare = re.split(r"[?#]", written)[0]
        if bare and not re.match(r"[a-z]+:|/", bare):
            yield posixpath.normpath(posixpath.join(posixpath.dirname(name), bare))


def gather() -> Kept:
    """Return the page and all files it needs, found by following what each of them names."""
    page = make_page()
    marks = re.findall(r'(?:src|href)="([^"#?]+)', page)
    waiting = [mark.removeprefix(settings.STATIC_URL) for mark in marks if mark.startswith(settings.STATIC_URL)]
    found: dict[str, bytes] = {}
    while waiting:
        name = waiting.pop()
        content = None if name in found else read_file(name)
        if content is not None:
            found[name] = content
            waiting += follow(name, content.decode(errors="ignore")) if name.endswith((".js", ".css")) else []
    digest = hashlib.sha256(page.encode())
    for name in sorted(found):
        digest.update(name.encode() + b"\0" + found[name])
    return Kept(page, tuple(settings.STATIC_URL + name for name in sorted(found)), digest.hexdigest()[:16])

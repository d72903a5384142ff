"""What the machine itself must have beside Python packages, and how to get it."""

import ctypes
import ctypes.util
import functools
import os
import shutil
import subprocess
import sys

BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser")
PANGO_PACKAGES = ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0")
PANGO_LIBRARIES = (
    ("libgobject-2.0.so.0", "gobject-2.0"),
    ("libpango-1.0.so.0", "pango-1.0"),
    ("libpangoft2-1.0.so.0", "pangoft2-1.0"),
)


@functools.cache
def pango_problem() -> str | None:
    """Return the sentence that says which packages PDFs need, None when they can be made.

    Everything else works without Pango. Loading the three libraries takes a millisecond; importing WeasyPrint half a second.
    """
    for file_name, short_name in PANGO_LIBRARIES:
        try:
            ctypes.CDLL(file_name)
        except OSError:
            if ctypes.util.find_library(short_name) is None:
                return (
                    "PDFs cannot be made on this machine yet: install Pango with `apt-get install --no-install-recommends "
                    f"{' '.join(PANGO_PACKAGES)}` (as root), then start the office again. Everything else works."
                )
    return None


def browser_program() -> str | None:
    """Return the Chromium that browser tests drive: OFFICE_BROWSER, or what the system has."""
    return os.environ.get("OFFICE_BROWSER") or next((found for name in BROWSERS if (found := shutil.which(name))), None)


def missing_for_browser() -> list[str]:
    """Return the Debian packages that browser tests lack here: the browser, and a library of what drives it."""
    missing = [] if browser_program() else ["chromium-headless-shell"]
    try:
        ctypes.CDLL("libatomic.so.1")
    except OSError:
        missing.append("libatomic1")
    return missing


def install_for_tests() -> None:
    """Install what tests need from Debian's packages, where that is allowed (root, apt-get); otherwise leave it."""
    wanted = [*missing_for_browser(), *(PANGO_PACKAGES if pango_problem() else ())]
    wanted += [] if shutil.which("hledger") else ["hledger"]
    if not wanted or os.geteuid() != 0 or not shutil.which("apt-get"):
        return
    sys.stderr.write(f"Installing from Debian's packages: {' '.join(wanted)} (once; about half a minute)...\n")
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    install = ["apt-get", "install", "--yes", "--quiet", "--no-install-recommends", *wanted]
    for command in (["apt-get", "update", "--quiet"], install):
        done = subprocess.run(command, env=environment, capture_output=True, text=True)
        if done.returncode:
            last = (done.stderr or done.stdout).strip().splitlines()[-1:]
            sys.stderr.write(f"apt-get could not: {' '.join(last)}\n")
    pango_problem.cache_clear()

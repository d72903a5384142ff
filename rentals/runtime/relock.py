"""Renew requirements.lock from pyproject.toml: every package with its hashes, for every platform, naming no host. Needs uv."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from rentals.runtime.bootstrap import DEVELOPMENT_MARK, LOCK, PROJECT
from rentals.runtime.errors import MISUSED, StartError

HEAD = """\
# Every package the office runs on, pinned with its hashes. Made by `python3 manage.py relock` from pyproject.toml.
# Do not edit by hand: change pyproject.toml, then renew.
"""


def run(arguments: list[str]) -> int:
    """Write a new lock file. `--upgrade` moves indirect packages to their newest release too."""
    uv = os.environ.get("OFFICE_UV") or shutil.which("uv")
    if uv is None:
        message = "Renewing the lock needs uv: install it (for example `pipx install uv`), or set OFFICE_UV to where it is."
        raise StartError(message, code=MISUSED)
    runtime = compiled(uv, [], arguments)
    everything = compiled(uv, ["--group", "dev"], arguments)
    changed = [name for name, entry in runtime.items() if everything.get(name) != entry]
    if changed:
        message = f"The development packages would change what the office runs on ({', '.join(changed)}): pin them apart."
        raise StartError(message, code=MISUSED)
    development = [entry for name, entry in everything.items() if name not in runtime]
    text = HEAD + "".join(runtime.values()) + f"\n{DEVELOPMENT_MARK}\n" + "".join(development)
    LOCK.write_text(text)
    sys.stdout.write(f"requirements.lock: {len(runtime)} packages to run, {len(development)} more to develop.\n")
    return 0


def compiled(uv: str, options: list[str], arguments: list[str]) -> dict[str, str]:
    """Resolve with uv, starting from the pins of today; return name -> the lines of its entry."""
    command = [
        *(uv, "pip", "compile", "--quiet", "--universal", "--python-version", "3.11", "--generate-hashes"),
        *("--no-emit-index-url", "--no-annotate", "--no-header", *options, *arguments, str(PROJECT / "pyproject.toml")),
    ]
    known = ["--constraints", str(LOCK)] if LOCK.exists() and "--upgrade" not in arguments and still_fits() else []
    done = subprocess.run([*command, *known], capture_output=True, text=True, cwd=PROJECT)
    if done.returncode:
        raise StartError("uv could not resolve pyproject.toml: " + done.stderr.strip(), code=MISUSED)
    return entries(done.stdout)


def still_fits() -> bool:
    """Return whether the lock holds exactly the versions pyproject.toml asks for (else old pins would be in the way)."""
    locked = {f"{name}=={version}" for name, version in re.findall(r"^([a-z0-9.-]+)==([^\s;\\]+)", LOCK.read_text(), re.M)}
    return all(pin in locked for pin in pins(PROJECT / "pyproject.toml"))


def pins(pyproject: Path) -> list[str]:
    """Return the exact pins of a pyproject.toml as `name==version`, names normalised."""
    import tomllib

    data = tomllib.loads(pyproject.read_text())
    found = []
    for line in [*data["project"]["dependencies"], *data["dependency-groups"]["dev"]]:
        match = re.match(r"([A-Za-z0-9._-]+)(?:\[[^]]*\])?==([^\s;]+)", line)
        if match:
            found.append(f"{re.sub(r'[-_.]+', '-', match[1]).lower()}=={match[2]}")
    return found


def entries(text: str) -> dict[str, str]:
    """Cut a requirements file into entries by name: all lines of a package that differs by Python version together."""
    found: dict[str, str] = {}
    for block in re.findall(r"^[A-Za-z0-9].*(?:\n[ \t]+.*)*\n", text, re.M):
        name = re.split(r"[=\[ ;]", block, maxsplit=1)[0]
        found[name] = found.get(name, "") + block
    return found

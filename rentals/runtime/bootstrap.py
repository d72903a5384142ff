"""From a bare Python to the pinned environment in `.venv`, then on to the command. Standard library only.

requirements.lock holds every package with its hashes: first what the office runs on, then, after a marker line, what its
tests need. The stamp in `.venv` says what was installed for which interpreter; it is written last, so that an
installation that was cut short is done again.
"""

import contextlib
import fcntl
import hashlib
import os
import platform
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from rentals.runtime.errors import StartError, disk_full, not_writable, told_plainly

PROJECT = Path(__file__).resolve().parents[2]
VENV = PROJECT / ".venv"
LOCK = PROJECT / "requirements.lock"
STAMP = VENV / "office-stamp"
DEVELOPMENT_MARK = "# --- development only, from here on ---"
DEVELOPMENT_COMMANDS = {"test", "relock", "compilemessages"}
PIP_OPTIONS = [
    *("--quiet", "--no-input", "--disable-pip-version-check", "--no-warn-script-location"),
    *("--require-hashes", "--no-deps", "--only-binary", ":all:", "--no-compile"),
]


def main(arguments: list[str]) -> None:
    """Make the environment if it is not there, move into it, and run the command."""
    with told_plainly():
        development = bool(arguments) and arguments[0] in DEVELOPMENT_COMMANDS
        if os.environ.get("OFFICE_NO_BOOTSTRAP") != "1":
            prepare(development=development)
            if Path(sys.prefix).resolve() != VENV.resolve():
                python = str(venv_python())
                os.execv(python, [python, str(PROJECT / "manage.py"), *arguments])
        from rentals.runtime import cli

        cli.run(arguments)


def prepare(*, development: bool) -> None:
    """Bring `.venv` to what the lock file says."""
    if is_ready(development=development):
        return
    with one_at_a_time():
        if is_ready(development=development):
            return
        began = time.monotonic()
        tell("Setting up the office's own Python packages (once; about 20 seconds)...")
        keep = stamp_lines(development=development)[0] == written_stamp()[0] and venv_python().exists()
        STAMP.unlink(missing_ok=True)
        if not keep:
            make_venv()
        install(development=development)
        STAMP.write_text("\n".join(stamp_lines(development=development)) + "\n")
        tell(f"Packages ready after {time.monotonic() - began:.0f} seconds.")


def is_ready(*, development: bool) -> bool:
    """Return whether `.venv` already holds what is wanted (the development set includes the other)."""
    interpreter, lock, wanted = stamp_lines(development=development)
    written = written_stamp()
    return written[:2] == [interpreter, lock] and (written[2] in {wanted, "development"})


def stamp_lines(*, development: bool) -> list[str]:
    """Describe interpreter, lock and set, as they go into the stamp."""
    # The base prefix too: an environment made by a Python under /root is of no use to anybody else.
    interpreter = f"{sys.version_info[0]}.{sys.version_info[1]} {platform.machine()} {sys.base_prefix}"
    return [interpreter, hashlib.sha256(LOCK.read_bytes()).hexdigest(), "development" if development else "runtime"]


def written_stamp() -> list[str]:
    """Read the stamp; three empty lines when there is none."""
    try:
        lines = STAMP.read_text().splitlines()
    except (FileNotFoundError, NotADirectoryError):
        lines = []
    return lines if len(lines) == 3 else ["", "", ""]


@contextlib.contextmanager
def one_at_a_time() -> Iterator[None]:
    """Let one process build the environment while the others wait. The kernel drops the lock if its holder dies."""
    if not os.access(PROJECT, os.W_OK | os.X_OK):
        raise StartError(not_writable(PROJECT))
    with (PROJECT / ".venv.lock").open("w") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def make_venv() -> None:
    """Make an empty virtual environment; pip is not put into it, it is run from the wheel Python carries."""
    try:
        import venv
    except ImportError as error:
        raise StartError(no_venv_module()) from error
    pip_wheel()
    venv.EnvBuilder(clear=True, with_pip=False, symlinks=True).create(VENV)


def venv_python() -> Path:
    """Return the interpreter in `.venv`."""
    return VENV / "bin" / "python"


def pip_wheel() -> Path:
    """Find the wheel of pip that comes with Python (ensurepip), or say which package brings it."""
    folders = [Path("/usr/share/python-wheels")]
    with contextlib.suppress(ImportError):
        import ensurepip

        folders.insert(0, Path(ensurepip.__file__).parent / "_bundled")
    for folder in folders:
        found = sorted(folder.glob("pip-*.whl"))
        if found:
            return found[-1]
    raise StartError(no_venv_module())


def no_venv_module() -> str:
    """Say that Python's venv or ensurepip module is missing."""
    return (
        f"This Python ({sys.executable}) comes without its venv module: install it with "
        "`apt-get install --no-install-recommends python3-venv` (as root), then give the same command again."
    )


def install(*, development: bool) -> None:
    """Install the pinned packages with pip. Any mirror or folder that pip is configured for is used."""
    runtime, _, rest = LOCK.read_text().partition(DEVELOPMENT_MARK)
    wanted = VENV / "requirements.txt"
    wanted.write_text(runtime + (rest if development else ""))
    command = [str(venv_python()), f"{pip_wheel()}/pip", "install", *PIP_OPTIONS, "-r", str(wanted)]
    environment = {"PIP_RETRIES": "2", **os.environ}
    done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace")
    if done.returncode:
        raise StartError(what_pip_meant(done.stdout))


def what_pip_meant(output: str) -> str:
    """Turn pip's output into one sentence. "No network" and "no wheel for you" read the same there, but for the retries."""
    if "No space left on device" in output:
        return disk_full(VENV)
    if "DO NOT MATCH THE HASHES" in output:
        return (
            "A downloaded package did not match its recorded hash, so nothing of it was used: stop, and find out where pip "
            "downloads from before you try again."
        )
    if "SSLError" in output or "CERTIFICATE_VERIFY_FAILED" in output:
        return (
            "The package index answered with a certificate that this Python does not trust: if your network inspects "
            "traffic, set PIP_CERT to its certificate file, then give the same command again."
        )
    if re.search(r"Retrying|Connection(Error| refused| reset)|Temporary failure in name|Network is unreachable", output):
        return (
            "The Python package index cannot be reached: the first start needs the network once (or set PIP_INDEX_URL to a "
            "mirror, or PIP_NO_INDEX=1 and PIP_FIND_LINKS to a folder of wheels); then give the same command again."
        )
    missing = re.search(r"No matching distribution found for (\S+)", output)
    if missing:
        where = f"Python {sys.version_info[0]}.{sys.version_info[1]} on {platform.system()} {platform.machine()}"
        return (
            f"There is no ready-made package {missing[1]} for {where} where pip looks: use Python 3.11, 3.12 or 3.13 on a "
            "machine with an x86-64 or ARM processor, or a package index that has it."
        )
    last = [line for line in output.strip().splitlines() if line.strip()][-3:]
    return "pip could not install the office's packages; its last words were: " + " / ".join(last)


def tell(line: str) -> None:
    """Say something on the terminal, apart from the command's own output."""
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()

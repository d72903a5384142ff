"""Where the office keeps what is not code. Standard library only."""

import hashlib
import os
import tempfile
from pathlib import Path

from rentals.runtime.errors import StartError, not_writable

PROJECT = Path(__file__).resolve().parents[2]
SOCKET_PATH_LIMIT = 100
"""A Unix socket's path holds 107 bytes; some are kept for the file's own name."""


def state_dir() -> Path:
    """Return the folder of databases, mail and archived documents, made if it is missing.

    `.state` in the project, or OFFICE_STATE_DIR. When root runs a project that no other account can enter, PostgreSQL (which
    refuses to run as root) could not reach its data there: then a folder under /var/lib, named after the project's path.
    """
    chosen = os.environ.get("OFFICE_STATE_DIR")
    state = Path(chosen).absolute() if chosen else PROJECT / ".state"
    if not chosen and os.geteuid() == 0 and not open_to_others(PROJECT):
        state = Path("/var/lib") / f"rental-office-{short_hash(PROJECT)}"
    make_folder(state, mode=0o711 if os.geteuid() == 0 else 0o700)
    os.environ["OFFICE_STATE_DIR"] = str(state)
    return state


def make_folder(folder: Path, *, mode: int = 0o700) -> None:
    """Make a folder and prove that it can be written."""
    try:
        if not folder.is_dir():
            folder.mkdir(mode=mode, parents=True, exist_ok=True)
    except (PermissionError, FileExistsError, NotADirectoryError) as error:
        raise StartError(not_writable(folder)) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise StartError(not_writable(folder))


def open_to_others(folder: Path) -> bool:
    """Return whether an account that owns nothing here can walk into the folder."""
    return all(step.stat().st_mode & 0o001 for step in [folder, *folder.parents])


def socket_folder(wanted: Path) -> Path:
    """Return a folder short enough to hold a Unix socket: the wanted one, else one of ours in the temporary folder."""
    if len(os.fsencode(wanted)) + len("/.s.PGSQL.5432.lock") <= SOCKET_PATH_LIMIT:
        return wanted
    short = Path(tempfile.gettempdir()) / f"rental-office-{os.geteuid()}-{short_hash(wanted)}"
    short.mkdir(mode=0o700, exist_ok=True)
    return short


def short_hash(path: Path) -> str:
    """Name a path in ten letters."""
    return hashlib.sha256(os.fsencode(path)).hexdigest()[:10]

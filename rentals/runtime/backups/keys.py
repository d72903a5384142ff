"""The key that seals backups: what a file says, which never lies among the backups nor in one."""

import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from rentals.runtime.backups.errors import BackupError

SHORTEST = 20


@dataclass(frozen=True)
class Key:
    """The secret, the file it came from, and whether that was made just now."""

    secret: bytes = field(repr=False)
    path: Path
    is_new: bool = False

    @property
    def where(self) -> str:
        """Say loudly where the key lies."""
        made = "A key was made just now. " if self.is_new else ""
        return (
            f"{made}The key to this backup is the file {self.path}. WITHOUT IT NOBODY CAN RESTORE ANYTHING: keep a copy of it "
            "away from this machine and away from the backups."
        )


def key_path(state: Path) -> Path:
    """Return where the key is looked for: OFFICE_BACKUP_KEY_FILE, else in the state folder."""
    chosen = os.environ.get("OFFICE_BACKUP_KEY_FILE", "")
    return Path(chosen).absolute() if chosen else state / "backup-key"


def load_key(state: Path, folder: Path, *, make: bool = False) -> Key:
    """Read the key; where none was named and there is none yet, `make` one. `folder` is where backups lie. Raises BackupError."""
    path = key_path(state)
    if path.resolve().is_relative_to(folder.resolve()):
        raise BackupError(f"The key {path} lies among the backups it seals: move it to another place, best to another machine.")
    is_new = False
    try:
        if make and not path.exists() and "OFFICE_BACKUP_KEY_FILE" not in os.environ:
            _make(path)
            is_new = True
        secret = path.read_bytes().strip()
    except OSError as error:
        raise BackupError(
            f"The key of the backups cannot be read from {path} ({error.strerror}): name the file that holds it in "
            "OFFICE_BACKUP_KEY_FILE."
        ) from error
    if len(secret) < SHORTEST:
        raise BackupError(f"The key in {path} is shorter than {SHORTEST} characters: choose six random words or more.")
    return Key(secret, path, is_new)


def _make(path: Path) -> None:
    """Write a random key, whole or not at all, readable by this account alone."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as handle:
        handle.write(secrets.token_urlsafe(32) + "\n")
        handle.flush()
        os.fsync(handle.fileno())
    try:
        os.link(fresh, path)  # unlike a rename it never takes the place of a key that somebody made meanwhile
    except FileExistsError:
        pass
    finally:
        fresh.unlink()

"""The folder of the archives: one writer at a time, names that sort by time, nothing half written ever under such a name."""

import contextlib
import datetime
import errno
import fcntl
import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from rentals.runtime.backups.errors import BackupBusyError, BackupError
from rentals.runtime.errors import StartError
from rentals.runtime.places import make_folder

SUFFIX = ".backup"
PARTIAL = ".partial"
NAME = re.compile(r"^office-(\d{8}T\d{6}Z)(?:-\d+)?\.backup$")
STAMP = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True)
class Archive:
    """An archive as its folder tells of it."""

    path: Path
    made_at: datetime.datetime
    size: int


def backups_folder(state: Path) -> Path:
    """Return where archives lie: OFFICE_BACKUP_DIR, else in the state folder."""
    chosen = os.environ.get("OFFICE_BACKUP_DIR", "")
    return Path(chosen).absolute() if chosen else state / "backups"


def list_archives(folder: Path) -> list[Archive]:
    """Return what lies in the folder, the newest first; what only has a name like an archive's is somebody's own."""
    found = []
    for path in folder.glob(f"*{SUFFIX}"):
        if (match := NAME.match(path.name)) and path.is_file() and not path.is_symlink():
            with contextlib.suppress(ValueError):  # a day that no calendar has
                made_at = datetime.datetime.strptime(match.group(1), STAMP).replace(tzinfo=datetime.UTC)
                found.append(Archive(path, made_at, path.stat().st_size))
    return sorted(found, key=lambda archive: (archive.made_at, archive.path.name), reverse=True)


def for_us_alone(path: str, flags: int) -> int:
    """Open a file so that, newly made, no other account reads it: an `opener`."""
    return os.open(path, flags, 0o600)


@contextlib.contextmanager
def only_one(folder: Path, what: str) -> Iterator[None]:
    """Hold the folder; the kernel lets go of it when this process ends in whatever way. Raises BackupBusyError, BackupError."""
    try:
        make_folder(folder)
        handle = (folder / "lock").open("a+")
    except StartError as error:
        raise BackupError(str(error)) from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            raise BackupBusyError(f"{handle.read().strip() or 'Another backup'} is under way in {folder}: wait for it.") from None
        handle.truncate(0)
        handle.write(f"{what} (process {os.getpid()})")
        handle.flush()
        for left in folder.glob(f".*{PARTIAL}"):
            left.unlink()
        yield


class HashedFile:
    """Writes to a file and knows size and SHA-256 of what it wrote."""

    def __init__(self, handle: IO[bytes]) -> None:
        self._handle = handle
        self._digest = hashlib.sha256()
        self.size = 0

    def write(self, data: bytes) -> None:
        """Write all of the bytes."""
        self._handle.write(data)
        self._digest.update(data)
        self.size += len(data)

    @property
    def sha256(self) -> str:
        """The SHA-256 of what was written, in hexadecimal."""
        return self._digest.hexdigest()


@contextlib.contextmanager
def new_archive(folder: Path, now: datetime.datetime) -> Iterator[tuple[Path, HashedFile]]:
    """Give a file to write and the name it will have once it is whole: written aside, synced, then renamed.

    On any error nothing stays, and a full disk is told in words. Raises BackupError.
    """
    path = _free_name(folder, now)
    aside = folder / f".{path.name}{PARTIAL}"
    try:
        with open(aside, "xb", opener=for_us_alone) as handle:
            written = HashedFile(handle)
            yield path, written
            handle.flush()
            os.fsync(handle.fileno())
        aside.rename(path)
        _sync(folder)
    except OSError as error:
        if error.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}:
            raise BackupError(
                f"The backup was given up, because {folder} has no room for it (or a limit forbids files of that size): make "
                "room, or name another folder in OFFICE_BACKUP_DIR. No half archive was left, and older ones are untouched."
            ) from error
        raise
    finally:
        aside.unlink(missing_ok=True)


def _free_name(folder: Path, now: datetime.datetime) -> Path:
    stamp = now.astimezone(datetime.UTC).strftime(STAMP)
    names = [f"office-{stamp}{SUFFIX}", *(f"office-{stamp}-{number}{SUFFIX}" for number in range(2, 100))]
    return next(folder / name for name in names if not (folder / name).exists())


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def megabytes(size: int) -> str:
    """Write a size in megabytes.

    >>> megabytes(2_340_000)
    '2.3 MB'
    """
    return f"{size / 1_000_000:,.1f} MB"

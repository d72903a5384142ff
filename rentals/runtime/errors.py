"""What can keep the office from starting. Standard library only: the bootstrap speaks through this too."""

import errno
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MISUSED = 2
"""Exit code: the person has to change the command."""
CANNOT_START = 3
"""Exit code: the machine has to change."""


class StartError(Exception):
    """The office cannot start; the text is one sentence that says what to do."""

    def __init__(self, sentence: str, *, code: int = CANNOT_START) -> None:
        super().__init__(sentence)
        self.code = code


@contextmanager
def told_plainly() -> Iterator[None]:
    """End the process with one sentence, not a traceback, for whatever the machine may refuse."""
    try:
        yield
    except StartError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(error.code)
    except KeyboardInterrupt:
        sys.exit(130)
    except OSError as error:
        sentence = explained(error)
        if sentence is None:
            raise
        sys.stderr.write(f"{sentence}\n")
        sys.exit(CANNOT_START)


def explained(error: OSError) -> str | None:
    """Give the sentence for a full disk or a folder that may not be written, None for anything else."""
    place = error.filename or "the office's folder"
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return disk_full(place)
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS} and error.filename:
        return not_writable(place)
    return None


def disk_full(place: str | Path) -> str:
    """Say that the disk is full."""
    return (
        f"The disk that holds {place} is full: make room (the office needs about 1 GB), or set OFFICE_STATE_DIR to a folder "
        "on another disk, then give the same command again. Nothing that was saved is lost."
    )


def not_writable(place: str | Path) -> str:
    """Say that a folder may not be written."""
    return (
        f"{place} cannot be written by the account that runs this command: take ownership of the folder, run the command as "
        "the account that owns it, or set OFFICE_STATE_DIR to a folder you may write."
    )

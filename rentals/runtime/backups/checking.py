"""Reading an archive through, without a database: every frame, every part's SHA-256, and the dump as far as pg_restore goes."""

import contextlib
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

from rentals.runtime.backups.archives import DATABASE, FILES, Sink, read_steps
from rentals.runtime.backups.errors import ArchiveRefusedError, BackupError
from rentals.runtime.backups.keys import Key
from rentals.runtime.backups.manifest import MADE_BY
from rentals.runtime.backups.servers import Tool, newest_tool
from rentals.runtime.backups.steps import finish
from rentals.runtime.postgres import clean_environment


class Nowhere:
    """Takes bytes and keeps none."""

    def write(self, data: bytes) -> None:
        """Take the bytes."""


def verify_archive(path: Path, key: Key) -> dict[str, Any]:
    """Read everything and return the manifest. Touches nothing. Raises ArchiveRefusedError, BackupError."""
    return finish(read_through(path, key))


def read_through(path: Path, key: Key) -> Generator[int, None, dict[str, Any]]:
    """Do what `verify_archive` does step by step, and yield how many more bytes were read."""
    manifest = yield from read_steps(path, key.secret, _sink)
    if manifest.get("made_by") != MADE_BY:
        raise ArchiveRefusedError(f"{path} is refused: it was not made by the office. Nothing was touched.")
    return manifest


@contextlib.contextmanager
def _sink(name: str) -> Iterator[Sink]:
    if name == DATABASE:
        # Written out as statements to nowhere, the dump is read and decompressed to its last row.
        try:
            with Tool([str(newest_tool("pg_restore")), "--file=/dev/null"], clean_environment(), reads=True) as tool:
                yield tool
        except ArchiveRefusedError:
            raise
        except BackupError as error:
            raise ArchiveRefusedError(f"the dump of the database in it cannot be read ({error})") from error
        return
    inner_path(name)
    yield Nowhere()


def inner_path(name: str) -> Path:
    """Return where under the office's files a part belongs. Raises ArchiveRefusedError for one that would leave that folder."""
    inside = Path(name.removeprefix(FILES))
    if not name.startswith(FILES) or inside.is_absolute() or ".." in inside.parts or not inside.parts:
        raise ArchiveRefusedError(f"it has a part with an impossible name ({name[:80]!r})")
    return inside

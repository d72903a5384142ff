"""Making an archive: one snapshot for the dump and for what it is held against, no plain byte ever on a disk."""

import datetime
import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rentals.runtime.backups import hooks
from rentals.runtime.backups.archives import DATABASE, FILES, ArchiveWriter
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import new_archive, only_one
from rentals.runtime.backups.keys import Key
from rentals.runtime.backups.manifest import MADE_BY, application_version, describe
from rentals.runtime.backups.servers import Address, Tool, find_tool, server_major
from rentals.runtime.backups.steps import finish

BLOCK = 1 << 18


@dataclass(frozen=True)
class Made:
    """An archive that was made."""

    path: Path
    size: int
    sha256: str
    seconds: float
    manifest: dict[str, Any]


def make_backup(*, source: Address, folder: Path, key: Key, files: Path, now: datetime.datetime) -> Made:
    """Write the whole database and the files beside it into one sealed archive. Raises BackupError; then nothing is left."""
    return finish(write_backup(source=source, folder=folder, key=key, files=files, now=now))


def write_backup(*, source: Address, folder: Path, key: Key, files: Path, now: datetime.datetime) -> Generator[int, None, Made]:
    """Do what `make_backup` does step by step, and yield the bytes that the archive has by then. Closed, it leaves nothing."""
    hooks.discover()
    began = time.monotonic()
    with only_one(folder, "A backup"), new_archive(folder, now) as (path, written):
        archive = ArchiveWriter(written, key.secret)
        with source.connect() as connection:
            program = find_tool("pg_dump", at_least=server_major(connection))
            connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            (snapshot,) = connection.execute("SELECT pg_export_snapshot()").fetchone() or ("",)
            manifest = {
                "made_by": MADE_BY,
                "made_at": now.isoformat(),
                "database": source.database,
                "program": application_version(),
                **describe(connection),
            }
            archive.begin(DATABASE)
            words = ["--format=custom", "--no-owner", "--no-privileges", f"--snapshot={snapshot}", "--lock-wait-timeout=60000"]
            with Tool(source.tool(program, *words), source.surroundings(), reads=False) as dump:
                while data := dump.read(BLOCK):
                    archive.write(data)
                    yield written.size
        for file in list_files(files):
            refuse_secret(file, key)
            archive.begin(FILES + file.relative_to(files).as_posix())
            with file.open("rb") as handle:
                while data := handle.read(BLOCK):
                    archive.write(data)
                    yield written.size
        manifest = archive.finish(manifest)
    return Made(path, written.size, written.sha256, time.monotonic() - began, manifest)


def list_files(files: Path) -> Iterator[Path]:
    """Yield the files that lie outside the database, in the order of their names."""
    if files.is_dir():
        yield from sorted(path for path in files.rglob("*") if path.is_file() and not path.is_symlink())


def refuse_secret(file: Path, key: Key) -> None:
    """Refuse a file that holds a key of what lies in the same archive. Raises BackupError."""
    if file.stat().st_size > BLOCK:
        return
    held, secrets = file.read_bytes(), [key.secret]
    for give in hooks.SECRETS:
        secrets += give()
    if any(secret in held for secret in secrets):
        raise BackupError(
            f"{file} holds a key: in one archive with what it opens it would guard nothing. Move it out of the office's files."
        )

"""Disks that are full: a small one in memory where a test may mount it (as root), and the nearest thing to it elsewhere."""

import contextlib
import os
import resource
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg

from rentals.runtime import places

SAYS_FULL = """
CREATE FUNCTION says_full() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    RAISE EXCEPTION 'could not extend file: No space left on device' USING ERRCODE = 'disk_full'; END $$;
CREATE TRIGGER says_full BEFORE INSERT OR UPDATE ON {table} FOR EACH ROW WHEN (length(NEW.{column}::text) > 8000)
    EXECUTE FUNCTION says_full()"""
MakeRoom = Callable[[], object]


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[bool]:
    """Mount a disk of this size on the folder, if that can be done here; tell whether it was."""
    folder.mkdir(parents=True, exist_ok=True)
    mounted = os.geteuid() == 0 and _mount("-t", "tmpfs", "-o", f"size={size},mode=755", "tmpfs", str(folder))
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextlib.contextmanager
def no_room_in(folder: Path, size: int) -> Iterator[MakeRoom]:
    """Let a folder have room for so many bytes, until the room is made that is given. Elsewhere, so many bytes a file."""
    with small_disk(folder, str(size)) as mounted:
        if mounted:
            yield lambda: _mount("-o", "remount,size=256m", str(folder))
            return
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
        try:
            yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, before)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextlib.contextmanager
def no_room_for(owner: psycopg.Cursor, table: str, column: str) -> Iterator[MakeRoom]:
    """Put a table on a disk of its own and fill that up, until the room is made that is given.

    Elsewhere the database says of whatever is long in `column` what it would say then.
    """
    folder = places.PROJECT / ".state" / "test" / f"disk-{os.getpid()}"
    with small_disk(folder, "4m") if os.environ.get("OFFICE_TEST_SERVER") == "own" else contextlib.nullcontext(False) as mounted:
        if not mounted:
            owner.execute(SAYS_FULL.format(table=table, column=column))
            try:
                yield lambda: owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER says_full")
            finally:
                owner.execute("DROP FUNCTION says_full CASCADE")
            return
        (data,) = owner.execute("SHOW data_directory").fetchone() or ("",)
        os.chown(folder, Path(data).stat().st_uid, -1)
        owner.execute(f"CREATE TABLESPACE small LOCATION '{folder}'")
        try:
            owner.execute(f"ALTER TABLE {table} SET TABLESPACE small")
            ballast = folder / "ballast"
            with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(4096))
            try:
                yield ballast.unlink
            finally:
                ballast.unlink(missing_ok=True)
                owner.execute(f"ALTER TABLE {table} SET TABLESPACE pg_default")
        finally:
            owner.execute("DROP TABLESPACE small")
    folder.rmdir()


def _mount(*words: str) -> bool:
    return subprocess.run(["mount", *words], capture_output=True).returncode == 0

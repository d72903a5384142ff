"""The way back: the archive is read through before anything is touched, restored beside, proved there, and only then named."""

import contextlib
import datetime
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from django.db.migrations.loader import MigrationLoader

from rentals.runtime.backups import copies, hooks
from rentals.runtime.backups.archives import DATABASE, Sink, read_archive
from rentals.runtime.backups.checking import inner_path, verify_archive
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import for_us_alone, only_one
from rentals.runtime.backups.keys import Key
from rentals.runtime.backups.making import list_files, refuse_secret
from rentals.runtime.backups.manifest import count_rows, differences
from rentals.runtime.backups.servers import Address, Tool, find_tool
from rentals.runtime.bootstrap import PROJECT
from rentals.runtime.grants import statement_for


@dataclass(frozen=True)
class Order:
    """What is to be restored, and where to. `owner` makes databases and tables, `application` is who works in them."""

    archive: Path
    folder: Path
    key: Key = field(repr=False)
    owner: Address = field(repr=False)
    application: Address = field(repr=False)
    files: Path = Path()
    replace: bool = False
    without_bank_keys: bool = False


@dataclass(frozen=True)
class Restored:
    """What came of it. `kept_as` and `kept_files` name what was there before, "" when there was nothing."""

    database: str
    kept_as: str
    kept_files: str
    seconds: float
    report: str


def refuse_before_touching(order: Order, tell: Callable[[str], None]) -> tuple[dict[str, Any], copies.Place]:
    """Read the whole archive, look at the database, and refuse what cannot go well. Changes nothing. Raises BackupError."""
    hooks.discover()
    manifest = verify_archive(order.archive, order.key)
    tell(f"{order.archive} is whole: made {manifest['made_at']}, {sum(manifest['rows'].values()):,} rows.")
    known = known_migrations()
    newer = [name for name in manifest["migrations"] if name not in known]
    if newer:
        raise BackupError(
            f"{order.archive} was made by a newer version of the office ({manifest['program']['version']}, commit "
            f"{manifest['program']['commit']}): this one does not know {newer[-1]}. Update the program first. Nothing was "
            "touched."
        )
    place = copies.look_at(order.owner)
    if place.server < manifest["postgresql"]:
        raise BackupError(
            f"{order.archive} comes from PostgreSQL {manifest['postgresql']} and this server is PostgreSQL {place.server}: "
            "restore it on that version or a newer one. Nothing was touched."
        )
    if not place.is_empty and not order.replace:
        raise BackupError(
            f"The database {order.owner.database} is not empty. To put the archive in its place give --replace; the database "
            "that is there now is kept under another name. Nothing was touched."
        )
    if place.sessions:
        raise BackupError(copies.in_use(order.owner.database, place.sessions))
    return manifest, place


def known_migrations() -> set[str]:
    """Return the migrations that this version has, as `app.name`, whatever any database says."""
    return {f"{app}.{name}" for app, name in MigrationLoader(None, ignore_no_migrations=True).disk_migrations}


def restore_backup(order: Order, *, now: datetime.datetime, tell: Callable[[str], None]) -> Restored:
    """Restore an archive. On any error the database and files that were there are as they were. Raises BackupError."""
    began = time.monotonic()
    with only_one(order.folder, "A restore"):
        manifest, place = refuse_before_touching(order, tell)
        copy = copies.make_beside(order.owner, now)
        new_files = beside(order.files, "restoring", now)
        try:
            fill(order, copy, new_files)
            prove(order, copy, manifest, new_files, tell)
            kept_as = copies.swap(order.owner, copy, now, place)
        except BaseException:
            copies.drop(copy)
            shutil.rmtree(new_files, ignore_errors=True)
            raise
        kept_files = swap_files(order.files, new_files, now)
    done = Restored(order.owner.database, kept_as, kept_files, round(time.monotonic() - began, 1), "")
    report = order.folder / f"restored-{now.astimezone(datetime.UTC):%Y%m%dT%H%M%SZ}.json"
    said = {**asdict(done), "archive": str(order.archive), "manifest": manifest, "checks": list(hooks.COPY_CHECKS)}
    with open(report, "w", opener=for_us_alone) as handle:
        handle.write(json.dumps(said, indent=1, default=str) + "\n")
    return Restored(done.database, kept_as, kept_files, done.seconds, str(report))


def fill(order: Order, copy: Address, new_files: Path) -> None:
    """Bring the dump into the new database and the files into a folder beside the old one."""
    with copy.connect() as connection:
        program = find_tool("pg_restore", at_least=connection.info.server_version // 10000)

    @contextlib.contextmanager
    def sink(name: str) -> Iterator[Sink]:
        if name == DATABASE:
            words = ["--exit-on-error", "--no-owner", "--no-privileges"]
            with Tool(copy.tool(program, *words), copy.surroundings(), reads=True) as tool:
                yield tool
            return
        target = new_files / inner_path(name)
        for path in (new_files, target.parent):
            path.mkdir(mode=0o700, parents=True, exist_ok=True)
        with open(target, "wb", opener=for_us_alone) as handle:
            yield handle  # type: ignore[misc]

    read_archive(order.archive, order.key.secret, sink)


def prove(order: Order, copy: Address, manifest: dict[str, Any], new_files: Path, tell: Callable[[str], None]) -> None:
    """Hold the copy against the manifest, bring it to this version with its rights, and let every check pass on it."""
    with copy.connect() as connection:
        wrong = differences(manifest, connection)
        if wrong:
            raise BackupError(f"The restored copy is not what the archive says: {'; '.join(wrong[:5])}. The old database stays.")
        # Whoever was signed in when the archive was made is not signed in again by it.
        connection.execute("DELETE FROM django_session")
    for file in list_files(new_files):
        refuse_secret(file, order.key)
    tell("Rows, structure and figures agree with the archive.")
    if missing := known_migrations() - set(manifest["migrations"]):
        run(["migrate", "--noinput", "--verbosity=0", "--office-stopped"], copy.as_url(), "Bringing the copy to this version")
        tell(f"The archive is older than this version: the copy was brought to it ({len(missing)} migrations).")
    with copy.connect() as connection:
        connection.execute(statement_for(name.removeprefix("public.") for name in count_rows(connection)).encode())
    application = order.application.named(copy.database)
    with application.connect() as connection:
        connection.execute("SELECT 1")
    for check in hooks.COPY_CHECKS.values():
        if check.can_be_left_out and order.without_bank_keys:
            tell(f"Left out, as you said: {check.what}.")
            continue
        run([check.command], application.as_url(), f"The check that {check.what}")
        tell(f"Checked on the copy: {check.what}.")


def run(words: list[str], url: str, what: str) -> None:
    """Run a command of the office on another database, in a process of its own. Raises BackupError with its last words."""
    surroundings = {
        **{name: value for name, value in os.environ.items() if name != "DATABASE_OWNER_URL"},
        "DATABASE_URL": url,
        "DJANGO_SETTINGS_MODULE": "rentals.settings",
        "OFFICE_DB_POOL": "0",
    }
    done = subprocess.run([sys.executable, "-m", "django", *words], env=surroundings, cwd=PROJECT, capture_output=True, text=True)
    if done.returncode:
        lines = [line.strip() for line in (done.stdout + "\n" + done.stderr).splitlines() if line.strip()]
        breaches = [line for line in lines if line.startswith("BREACH")]
        said = "; ".join(breaches[:3] or lines[-1:])
        raise BackupError(f"{what} failed on the restored copy: {said} The database that was there is as it was.")


def beside(files: Path, word: str, now: datetime.datetime) -> Path:
    """Name a folder beside the office's files."""
    return files.with_name(f"{files.name}.{word}-{now.astimezone(datetime.UTC):%Y%m%dT%H%M%SZ}")


def swap_files(files: Path, new_files: Path, now: datetime.datetime) -> str:
    """Put the restored files in their place; return where those that were there are kept."""
    kept = ""
    if files.is_dir() and any(files.iterdir()):
        aside = beside(files, "before", now)
        files.rename(aside)
        kept = str(aside)
    if new_files.is_dir():
        if files.is_dir():
            files.rmdir()
        new_files.rename(files)
    return kept

"""A backup with its record: made, read through, older ones let go. What the job at night and the command both call."""

import contextlib
import datetime
import logging
from collections.abc import Generator
from pathlib import Path
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import connection

from rentals.runtime import clock
from rentals.runtime.backups import retention
from rentals.runtime.backups.checking import read_through
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import backups_folder, list_archives, megabytes, sha256_of
from rentals.runtime.backups.keys import Key, load_key
from rentals.runtime.backups.making import Made, write_backup
from rentals.runtime.backups.servers import Address
from rentals.runtime.backups.steps import finish
from rentals.runtime.models import BackupRecord

AT_MOST = datetime.timedelta(hours=6)
"""So long a backup at night may take: from half past one until before the shop opens."""
TOO_OLD = datetime.timedelta(hours=26)
logger = logging.getLogger(__name__)


def make_nightly_backup(now: datetime.datetime) -> BackupRecord:
    """Make a backup, read it through, let older ones go. Raises BackupError; the record then says why.

    Safe to repeat: each call is a backup of its own, and two at once are refused.
    """
    return backup_and_record(now=now, by_night=True)


def backup_and_record(
    *, now: datetime.datetime, by_night: bool, verify: bool = True, days: int = retention.DAYS, source: Address | None = None
) -> BackupRecord:
    """Make a backup with its record. Without `verify` nothing is let go either. In no transaction. Raises BackupError."""
    return finish(backing_up(now=now, by_night=by_night, verify=verify, days=days, source=source))


def backing_up(
    *, now: datetime.datetime, by_night: bool, verify: bool = True, days: int = retention.DAYS, source: Address | None = None
) -> Generator[str, None, BackupRecord]:
    """Do what `backup_and_record` does step by step, and yield in a sentence how far it is.

    Closed on the way it leaves no half archive, and a record that says that it was interrupted.
    """
    folder = backups_folder(settings.STATE_DIR)
    record = BackupRecord.objects.create(began_at=now, by_night=by_night, folder=str(folder)[:300])
    try:
        key = load_key(settings.STATE_DIR, folder, make=True)
        if key.is_new:
            logger.warning("%s", key.where)
        server = source or Address.of(settings.DATABASE_URL).named(str(connection.settings_dict["NAME"]))
        made = yield from _told(write_backup(source=server, folder=folder, key=key, files=Path(settings.MEDIA_ROOT), now=now))
        _note_made(record, made)
        if verify:
            yield from _prove(record, made, key)
    except (BackupError, OSError) as error:
        _note_failure(record, str(error))
        raise
    except BaseException:
        _note_failure(record, "It was interrupted.")
        raise
    if verify:
        let_go(folder, now=now, days=days)
    return record


def let_go(folder: Path, *, now: datetime.datetime, days: int = retention.DAYS) -> list[Path]:
    """Remove the archives that the rule of retention does not keep; return them. One that cannot be is logged and stays."""
    archives = list_archives(folder)
    zone = ZoneInfo(settings.TIME_ZONE)
    kept = retention.to_keep((archive.made_at for archive in archives), now=now, zone=zone, days=days)
    gone = []
    for path in (archive.path for archive in archives if archive.made_at not in kept):
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            logger.warning("an old backup could not be removed from %s: %s", folder, error.strerror)
        else:
            gone.append(path)
    return gone


def last_good() -> BackupRecord | None:
    """Return the newest backup that was read through."""
    return BackupRecord.objects.filter(state=BackupRecord.State.VERIFIED).order_by("-began_at").first()


def is_too_old(now: datetime.datetime) -> bool:
    """Return whether the newest good backup is older than a night and two hours, or there is none."""
    newest = last_good()
    return newest is None or now - newest.began_at > TOO_OLD


def _note_made(record: BackupRecord, made: Made) -> None:
    record.state = BackupRecord.State.MADE
    record.file_name, record.size, record.sha256 = made.path.name, made.size, made.sha256
    record.seconds = round(made.seconds, 1)
    record.save()
    # We held the folder, so whatever says that it runs in it since before us does not.
    lost = BackupRecord.objects.filter(state=BackupRecord.State.RUNNING, folder=record.folder, began_at__lt=record.began_at)
    lost.update(state=BackupRecord.State.FAILED, error="It was cut off: the process or the machine ended before it was done.")


def _told(writing: Generator[int, None, Made]) -> Generator[str, None, Made]:
    """Say how much was written, beside how much it was the last time."""
    last = last_good()
    beside = f"; the last one had {megabytes(last.size)}" if last is not None and last.size else ""
    yield f"It begins{beside}."
    with contextlib.closing(writing):
        while True:
            try:
                size = next(writing)
            except StopIteration as end:
                made: Made = end.value
                return made
            yield f"Writing: {megabytes(size)} so far{beside}."


def _prove(record: BackupRecord, made: Made, key: Key) -> Generator[str, None, None]:
    """Read the archive back from the disk: every byte as it was written, every part as its manifest says.

    One that is not so is set aside, and one that nobody reads to its end removed: neither may count among those that are kept.
    """
    try:
        yield f"Written: {megabytes(made.size)}. Reading it back from the disk."
        if sha256_of(made.path) != made.sha256:
            raise BackupError(f"{made.path} came back from the disk changed: the disk cannot be trusted.")
        read = 0
        with contextlib.closing(read_through(made.path, key)) as reading:
            for more in reading:
                read += more
                yield f"Reading it through: {megabytes(read)} of {megabytes(made.size)}."
    except (BackupError, OSError):
        made.path.rename(made.path.with_suffix(".broken"))
        raise
    except BaseException:
        made.path.unlink(missing_ok=True)
        record.file_name, record.size, record.sha256 = "", None, ""
        raise
    record.state, record.verified_at = BackupRecord.State.VERIFIED, clock.now()
    record.save()


def _note_failure(record: BackupRecord, why: str) -> None:
    record.state, record.error, record.verified_at = BackupRecord.State.FAILED, why or "It failed.", None
    record.save()

"""`python3 manage.py backup`: the whole office in one sealed file."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from rentals.runtime import clock
from rentals.runtime.backups import retention
from rentals.runtime.backups.checking import verify_archive
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import backups_folder, list_archives, megabytes
from rentals.runtime.backups.keys import load_key
from rentals.runtime.backups.nightly import backup_and_record
from rentals.runtime.models import BackupRecord


class Command(BaseCommand):
    """Makes a backup, lists those there are, or reads one through."""

    help = "Writes database and files into one sealed archive and reads it through; --list, --verify FILE."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take what to do."""
        which = parser.add_mutually_exclusive_group()
        which.add_argument("--list", action="store_true", help="name the archives there are")
        which.add_argument("--verify", metavar="FILE", help="read an archive through; touches no database")
        parser.add_argument(
            "--keep", type=int, default=retention.DAYS, metavar="DAYS",
            help=f"keep the last archive of so many days ({retention.DAYS}), and of {retention.MONTHS} months",
        )  # fmt: skip

    def handle(self, *args: Any, list: bool, verify: str | None, keep: int, **options: Any) -> None:
        """Do what was asked for."""
        try:
            if list:
                self._list()
            elif verify:
                self._verify(Path(verify))
            else:
                self._make(keep)
        except BackupError as error:
            raise CommandError(str(error)) from error

    def _make(self, keep: int) -> None:
        if keep < 1:
            message = "--keep takes a number of days from 1 up."
            raise CommandError(message)
        folder = backups_folder(settings.STATE_DIR)
        key = load_key(settings.STATE_DIR, folder, make=True)
        record = backup_and_record(now=clock.now(), by_night=False, days=keep)
        self.stdout.write(f"{folder / record.file_name}: {megabytes(record.size or 0)} in {record.seconds} s, and read through.")
        self.stdout.write(f"SHA-256 {record.sha256}")
        self.stdout.write(key.where)
        self.stdout.write(
            "The keys of bank account numbers (OFFICE_BANK_KEYS, OFFICE_BANK_INDEX_KEY) are not in it and are needed for a "
            "restore: keep them in a third place."
        )

    def _list(self) -> None:
        folder = backups_folder(settings.STATE_DIR)
        archives = list_archives(folder)
        known = {record.file_name: record for record in BackupRecord.objects.filter(folder=str(folder)[:300])}
        for archive in archives:
            record = known.get(archive.path.name)
            made = timezone.localtime(archive.made_at).strftime("%Y-%m-%d %H:%M")
            state = record.get_state_display().lower() if record else "not in the record of this database"
            self.stdout.write(f"{made}  {megabytes(archive.size):>10}  {archive.path}  {state}")
        self.stdout.write(f"{len(archives)} in {folder}.")

    def _verify(self, path: Path) -> None:
        manifest = verify_archive(path, load_key(settings.STATE_DIR, backups_folder(settings.STATE_DIR)))
        self.stdout.write(f"{path} is whole: every part is as its manifest says.")
        for line in told(manifest):
            self.stdout.write(f"  {line}")


def told(manifest: dict[str, Any]) -> list[str]:
    """Say what an archive holds."""
    rows = manifest["rows"]
    files = len(manifest["parts"]) - 1
    return [
        f"made {manifest['made_at']} of the database {manifest['database']}",
        f"by version {manifest['program']['version']}, commit {manifest['program']['commit']}, PostgreSQL "
        f"{manifest['postgresql_version']}, {len(manifest['migrations'])} migrations",
        f"{sum(rows.values()):,} rows in {len(rows)} tables, {files} files beside them",
        *(f"{name}: {value}" for name, value in manifest["figures"].items()),
    ]

"""`python3 manage.py restore FILE`: the way back from a backup."""

import os
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from rentals.runtime import clock
from rentals.runtime.backups.errors import BackupError
from rentals.runtime.backups.folder import backups_folder
from rentals.runtime.backups.keys import load_key
from rentals.runtime.backups.restoring import Order, Restored, restore_backup
from rentals.runtime.backups.servers import Address


class Command(BaseCommand):
    """Restores an archive into an empty database, or in the place of the one that is there."""

    help = (
        "Reads the archive through, restores it into a new database beside, holds it against its manifest, verifies the books "
        "there, and only then lets it take the old one's name. The old one is kept."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take the archive and what may be done."""
        parser.add_argument("file", metavar="FILE", type=Path, help="the archive")
        parser.add_argument("--replace", action="store_true", help="put it in the place of a database that is not empty")
        parser.add_argument("--yes", action="store_true", help="do not ask for the database's name")
        parser.add_argument(
            "--without-bank-keys",
            action="store_true",
            help="the keys of bank account numbers are lost: restore all the same, and ask families for their accounts again",
        )

    def handle(self, *args: Any, file: Path, replace: bool, yes: bool, without_bank_keys: bool, **options: Any) -> None:
        """Ask, restore, and say what to look at."""
        folder = backups_folder(settings.STATE_DIR)
        application = Address.of(os.environ.get("DATABASE_URL", settings.DATABASE_URL))
        owner = Address.of(os.environ.get("DATABASE_OWNER_URL", application.url)).named(application.database)
        try:
            order = Order(
                archive=file.absolute(),
                folder=folder,
                key=load_key(settings.STATE_DIR, folder),
                owner=owner,
                application=application,
                files=Path(settings.MEDIA_ROOT),
                replace=replace,
                without_bank_keys=without_bank_keys,
            )
            if replace and not yes:
                self._ask(owner.database)
            done = restore_backup(order, now=clock.now(), tell=self.stdout.write)
        except BackupError as error:
            raise CommandError(str(error)) from error
        for line in afterwards(done):
            self.stdout.write(line)

    def _ask(self, database: str) -> None:
        if not sys.stdin.isatty():
            message = "--replace asks for the database's name, and there is nobody to type it here: add --yes."
            raise CommandError(message)
        self.stdout.write(f"This puts the archive in the place of the database {database}; that one is kept under another name.")
        if input(f"Type the database's name ({database}) to go on: ").strip() != database:
            message = "That is not its name. Nothing was changed."
            raise CommandError(message)


def afterwards(done: Restored) -> list[str]:
    """Say what was done and what a person must look at now."""
    kept = f"The database that was there is kept as {done.kept_as}: drop it once you are sure." if done.kept_as else ""
    files = f"The files that were there are kept in {done.kept_files}." if done.kept_files else ""
    return [
        f"Restored into {done.database} after {done.seconds} s; the report is {done.report}.",
        *([kept] if kept else []),
        *([files] if files else []),
        "Before the office opens: look through the outbox (what waited when the backup was made may have gone out since), files "
        "of debits let out since then, and the list of people (whoever left or changed a password since is as before). "
        "Everybody signs in anew.",
    ]

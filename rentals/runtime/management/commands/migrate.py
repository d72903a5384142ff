"""Django's migrate, several times as fast on a bare database, and careful on one that is at work."""

from typing import Any

from django.core.management.base import CommandParser
from django.core.management.commands import migrate
from django.db import connections

from rentals.runtime.migrating import Executor
from rentals.runtime.migrating_live import taking_turns

migrate.MigrationExecutor = Executor  # type: ignore[attr-defined]


class Command(migrate.Command):
    """`migrate`, with the operations of a migration put together where their order allows it, one `migrate` at a time."""

    def add_arguments(self, parser: CommandParser) -> None:
        """Add what to say when nobody works."""
        super().add_arguments(parser)
        parser.add_argument(
            "--office-stopped", action="store_true", help="Nobody works on this database: let migrations take their time."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Migrate, when no other migrate does."""
        Executor.office_stopped = options["office_stopped"]
        with taking_turns(connections[options["database"]]):
            super().handle(*args, **options)

    def migration_progress_callback(self, action: str, migration: Any = None, fake: bool = False) -> None:
        """Tell how far it is, and what was taken back for now."""
        if action == "taken_back":
            self.stderr.write(str(migration))
        else:
            super().migration_progress_callback(action, migration, fake)

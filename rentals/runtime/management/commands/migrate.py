"""Django's migrate, several times as fast on a bare database."""

from django.core.management.commands import migrate

from rentals.runtime.migrating import Executor

migrate.MigrationExecutor = Executor  # type: ignore[attr-defined]


class Command(migrate.Command):
    """`migrate`, with the operations of a migration put together where their order allows it."""

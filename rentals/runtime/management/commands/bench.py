"""`python3 manage.py bench NAME`: measure one thing in a database of its own; one JSON object is the last line of the output."""

import importlib
import importlib.util
import json
import os
import random
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from django.apps import apps
from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command
from django.db import connection
from psycopg import sql

from rentals import environment
from rentals.runtime.benches import BENCHES, Run, complete

SIZES = {"full": 1.0, "short": 0.004}


class Command(BaseCommand):
    """Runs a bench, or all of them."""

    help = (
        "Measure one thing (or all) in a scratch database; progress on standard error, one JSON object last on standard output."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take a name and a size."""
        parser.add_argument("name", help="a bench's name, or all")
        parser.add_argument("--size", default="full", help="full, short (works anywhere, says little), or a share like 0.1")
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--template", default="template1", help="a database to begin with a copy of: one that is migrated")

    def handle(self, *args: Any, name: str, size: str, seed: int, template: str, **options: Any) -> None:
        """Find the bench, give it a database, print what it found."""
        discover()
        names = sorted(BENCHES) if name == "all" else [name]
        if not set(names) <= set(BENCHES):
            message = f"There is no bench named {name}; there are: {', '.join(sorted(BENCHES))}, all."
            raise CommandError(message)
        reports = [self._measure(each, _scale(size), seed, template) for each in names]
        self.stdout.write(json.dumps(reports[0] if name != "all" else {"name": "all", "benches": reports}))

    def _measure(self, name: str, scale: float, seed: int, template: str) -> dict[str, Any]:
        def tell(line: str) -> None:
            self.stderr.write(f"{name}: {line}")

        run = Run(scale=scale, chance=random.Random(seed), tell=tell)  # noqa: S311 - repeatable, not secret
        with scratch_database(f"bench_{name}_{os.getpid()}", template):
            tell("making the tables")
            call_command("migrate", verbosity=0)
            return complete(name, BENCHES[name](run))


def discover() -> None:
    """Import the `benches` module of every room that has one."""
    for config in apps.get_app_configs():
        if importlib.util.find_spec(f"{config.name}.benches"):
            importlib.import_module(f"{config.name}.benches")


def _scale(size: str) -> float:
    try:
        scale = SIZES[size] if size in SIZES else float(size)
    except ValueError:
        scale = 0.0
    if not 0 < scale <= 10:
        message = "--size is full, short, or a share of the full size like 0.1."
        raise CommandError(message)
    return scale


@contextmanager
def scratch_database(name: str, template: str) -> Iterator[None]:
    """Copy a database (`template1` is empty) as the tables' owner, point Django at it, in the end drop it whatever happens."""
    owner = environment.database(os.environ.get("DATABASE_OWNER_URL", settings.DATABASE_URL), pooled=False)
    before = dict(connection.settings_dict)
    words = {"host": owner["HOST"], "port": owner["PORT"], "user": owner["USER"], "password": owner["PASSWORD"]}
    address = {key: value for key, value in words.items() if value}
    with psycopg.connect(dbname="postgres", autocommit=True, **address) as server:
        try:
            server.execute(sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template)))
        except (psycopg.errors.InvalidCatalogName, psycopg.errors.ObjectInUse) as error:
            message = f"--template takes the name of a database that nobody uses. {error.diag.message_primary}."
            raise CommandError(message) from error
        settings.DEBUG = False
        connection.close()
        connection.settings_dict.update({**owner, "NAME": name})
        try:
            yield
        finally:
            connection.close()
            connection.settings_dict.update(before)
            server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))

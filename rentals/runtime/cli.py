"""The commands: the office's own by name, every other one is Django's, with the servers up and their addresses set."""

import atexit
import os
import signal
import sys

from rentals.runtime.places import state_dir
from rentals.runtime.postgres import Postgres
from rentals.runtime.servers import Server
from rentals.runtime.valkey import Valkey

OWNER_COMMANDS = {"migrate", "pgtrigger", "flush", "sqlflush", "makemigrations", "showmigrations"}
"""These change tables, or look at what was changed, so they sign in as the tables' owner."""
SERVERLESS_COMMANDS = {
    "help",
    "version",
    "--help",
    "-h",
    "--version",
    "startapp",
    "collectstatic",
    "compilemessages",
    "makemessages",
}


def run(arguments: list[str]) -> None:
    """Run one command; the office is the Python process itself from here on."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "rentals.settings")
    command = arguments[0] if arguments else "help"
    if command == "relock":
        from rentals.runtime import relock

        sys.exit(relock.run(arguments[1:]))
    if command == "test":
        from rentals.runtime import checks

        sys.exit(checks.run(arguments[1:]))
    if command == "demo":
        from rentals.runtime import demo

        sys.exit(demo.run(arguments[1:]))
    run_django(command, arguments)


def run_django(command: str, arguments: list[str]) -> None:
    """Run a Django command against the servers."""
    state_dir()
    if command not in SERVERLESS_COMMANDS:
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
        use_servers()
    if command in OWNER_COMMANDS and "DATABASE_OWNER_URL" in os.environ:
        os.environ["DATABASE_URL"] = os.environ["DATABASE_OWNER_URL"]
    from django.core.management import execute_from_command_line

    execute_from_command_line(["manage.py", *arguments])


def use_servers() -> list[Server]:
    """Bring up whichever server no address was given for, and leave it again when this process ends."""
    state = state_dir()
    started: list[Server] = []
    if "DATABASE_URL" not in os.environ:
        database = Postgres(state / "postgres")
        started.append(database)
        atexit.register(database.leave)
        database.use()
        os.environ["DATABASE_URL"] = database.url
        os.environ["DATABASE_OWNER_URL"] = database.owner_url
    if "REDIS_URL" not in os.environ:
        broker = Valkey(state / "valkey")
        started.append(broker)
        atexit.register(broker.leave)
        broker.use()
        os.environ["REDIS_URL"] = broker.url
    return started

"""Load the demo scenario into an empty database."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from rentals.counter.demo.scenario import live_through_the_evening, load
from rentals.counter.demo.shop import PASSWORD, PEOPLE
from rentals.families.models import Household
from rentals.inventory.models import Instrument
from rentals.runtime import clock
from rentals.staff.models import Office, Role, User


class Command(BaseCommand):
    """`load_demo [--households N] [--seed N]`: refuses a database that has anything in it."""

    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        """How large, and which dice."""
        parser.add_argument("--households", type=int, default=600)
        parser.add_argument("--seed", type=int, default=7)

    def handle(self, *args: Any, **options: Any) -> None:
        """Load everything in one transaction, or nothing; then the evening, whose sign-ups each have their own."""
        if Office.objects.exists() or Household.objects.exists() or Instrument.objects.exists():
            message = "There is data here already: the demo scenario is only loaded into an empty database. Nothing was changed."
            raise CommandError(message)
        if options["households"] < 1:
            message = "--households takes a number from 1 up."
            raise CommandError(message)
        with transaction.atomic():
            load(households=options["households"], seed=options["seed"], today=clock.today(), now=clock.now())
        live_through_the_evening(today=clock.today())
        lines = [f"{role.label}: {email}" for email, _, role in PEOPLE]
        directors = User.objects.filter(role=Role.DIRECTOR, is_active=True).order_by("pk")
        lines += [f"{Role.DIRECTOR.label}: {email}" for email in directors.values_list("email", flat=True)]
        path = Path(settings.STATE_DIR) / "sign-ins.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("\n".join([*lines, f"Password for each: {PASSWORD}"]) + "\n")
        self.stdout.write(f"Loaded {Household.objects.count()} households and {Instrument.objects.count()} instruments.")

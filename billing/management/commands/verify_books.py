"""Check every invariant of the house on live data."""

import sys
from typing import Any

from django.core.management.base import BaseCommand

from billing import verify


class Command(BaseCommand):
    """One line for each check, the breaches under it; ends with 1 when there is any."""

    help = "Checks every invariant of the books and of the house on live data; says which record breaks one."

    def handle(self, *args: Any, **options: Any) -> None:
        """Run the checks and print what they find."""
        breached = 0
        for check, breaches in verify.run_checks():
            self.stdout.write(f"{'BREACH' if breaches else 'ok    '} {check.invariant:>2}  {check.title}")
            for breach in breaches:
                self.stdout.write(f"            {breach}")
            breached += bool(breaches)
        if breached:
            self.stderr.write(f"{breached} of {len(verify.CHECKS)} checks found a breach.")
            sys.exit(1)
        self.stdout.write(f"All {len(verify.CHECKS)} checks hold.")

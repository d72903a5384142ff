"""Seal bank account numbers anew with the newest key."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from billing.autopay import rotation
from billing.autopay.crypto import KeyMissingError, SealBrokenError


class Command(BaseCommand):
    """Put the new key first in OFFICE_BANK_KEYS, restart, run this, then take the old one away."""

    help = "Seals every bank account number, and the files they stand in, with the first key of OFFICE_BANK_KEYS."

    def handle(self, *args: Any, **options: Any) -> None:
        """Rotate, and say which keys are still needed."""
        try:
            rotation.rotate(self.stdout.write)
        except (KeyMissingError, SealBrokenError) as error:
            raise CommandError(str(error)) from error
        used = ", ".join(sorted(rotation.list_keys_in_use())) or "none"
        self.stdout.write(f"Keys still needed: {used}. The others can be taken out of OFFICE_BANK_KEYS.")

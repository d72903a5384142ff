"""Try whether the keys of this installation open what is sealed in its database."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from billing.autopay import rotation
from billing.autopay.crypto import KeyMissingError, SealBrokenError, about_account, key_of, ring
from billing.models import AutopayAuthorisation


class Command(BaseCommand):
    """Opens one bank account number of each key; shows none of them."""

    help = "Opens one sealed bank account number for each key that is in use; ends with 1 when a key is missing."

    def handle(self, *args: Any, **options: Any) -> None:
        """Try, and say how many accounts there are by key."""
        keys, used = ring(), rotation.list_keys_in_use()
        missing = sorted(set(used) - set(keys.keys))
        if missing:
            message = (
                f"Bank account numbers are sealed with keys that are not here: {', '.join(missing)}. Put them into "
                "OFFICE_BANK_KEYS; they are kept apart from backups."
            )
            raise CommandError(message)
        tried: set[str] = set()
        rows = AutopayAuthorisation.objects.order_by("-pk").values_list("pk", "account_sealed", "account_index", "routing_number")
        for row_id, sealed, index, routing in rows.iterator(chunk_size=500):
            name = key_of(sealed)
            if name in tried:
                continue
            tried.add(name)
            try:
                number = keys.open(sealed, about=about_account(row_id))
            except (KeyMissingError, SealBrokenError) as error:
                message = f"The key “{name}” of OFFICE_BANK_KEYS is not the one that account numbers were sealed with. {error}"
                raise CommandError(message) from error
            if keys.index(routing, number.decode()) != index:
                message = "OFFICE_BANK_INDEX_KEY is not the key that accounts were counted by: put back the one that was in use."
                raise CommandError(message)
        self.stdout.write(f"Opened one account number for each of {len(tried)} keys in use; none is shown.")

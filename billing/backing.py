"""What a backup and its restored copy must share in money, and how a copy is proved before it takes the books' place."""

import base64

from django.conf import settings

from rentals.runtime.backups import hooks

hooks.add_figure("postings", "SELECT count(*)::text FROM billing_posting")
hooks.add_figure("sum of debits", "SELECT coalesce(sum(amount) FILTER (WHERE amount > 0), 0)::text FROM billing_posting")
hooks.add_figure("sum of postings", "SELECT coalesce(sum(amount), 0)::text FROM billing_posting")
hooks.check_copy_with("verify_books", "every invariant of the books holds")
hooks.check_copy_with("try_bank_keys", "the keys of bank account numbers fit", can_be_left_out=True)


def bank_keys() -> list[bytes]:
    """Return the keys of bank account numbers in the forms they are written in."""
    keys = [*settings.BANK_KEYS.values(), settings.BANK_INDEX_KEY]
    written = [form(key).rstrip(b"=") for key in keys for form in (base64.b64encode, base64.urlsafe_b64encode)]
    return [*keys, *written]


hooks.SECRETS.append(bank_keys)

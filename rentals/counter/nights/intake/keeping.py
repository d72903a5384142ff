"""Envelopes at rest: sealed while somebody may need them, gone once they are not needed."""

import datetime
import json
from typing import Any

from django.db import transaction

from rentals.agreements.models import NightSignUp
from rentals.staff.sign_in import seal

KEPT_AFTER_DISCARDING = datetime.timedelta(days=30)


def seal_envelope(raw: dict[str, Any]) -> bytes:
    """Return an envelope as it lies in the database."""
    return seal().encrypt(json.dumps(raw, separators=(",", ":")).encode())


def open_envelope(row: NightSignUp) -> dict[str, Any] | None:
    """Return what was sent; None once it is gone."""
    return None if row.sealed is None else dict(json.loads(seal().decrypt(bytes(row.sealed))))


@transaction.atomic
def purge_envelopes(*, now: datetime.datetime) -> int:
    """Forget what stood in sign-ups discarded more than thirty days ago; return how many. The line about each stays."""
    old = NightSignUp.objects.filter(state=NightSignUp.State.DISCARDED, resolved_at__lt=now - KEPT_AFTER_DISCARDING)
    return old.filter(sealed__isnull=False).update(sealed=None)

"""A stock count that finds what was lost or retired: the instrument comes into the books again in the same transaction."""

import datetime

from django.utils import timezone

from billing.fleet import operations as books
from rentals.inventory.models import Instrument
from rentals.inventory.operations import settling
from rentals.staff.models import User


def put_back_in_books(*, instrument: Instrument, reason: str, acting_user: User, now: datetime.datetime) -> None:
    """Take a found instrument into the books as it was; nothing happens where it never left them."""
    on = timezone.localdate(now)
    books.put_back_asset(instrument=instrument, on=on, reason=reason, acting_user=acting_user, now=now)


def join_counts_and_books() -> None:
    """Tell the counts, once."""
    if put_back_in_books not in settling.FOUND_AGAIN:
        settling.FOUND_AGAIN.append(put_back_in_books)

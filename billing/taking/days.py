"""Whose takings, of which day, a payment or a refund belongs to. Closing a day stands in `operations`."""

import datetime
from collections.abc import Sequence

from django.db import connection
from django.utils import timezone

from billing.models import Payment, Taking, TakingCount
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User

COUNTED = (Payment.Method.CASH, Payment.Method.CHEQUE)
"""Methods that go through the counter's drawer."""


class TakingClosedError(Exception):
    """The person's takings of the day are counted down, so nothing is taken into them or paid out of them any more."""

    def __init__(self, person: User, day: datetime.date) -> None:
        super().__init__(
            f"The takings of {person.name} on {written_day(day)} are counted down. "
            "Let somebody else take this one, or ask the manager to reopen the day."
        )
        self.person, self.day = person, day


def take_into(*, method: str, person: User, now: datetime.datetime) -> int | None:
    """Return the taking that cash or a check of this moment belongs to, kept open until the transaction ends; else None.

    `method`: of a payment or a refund. Raises TakingClosedError.
    """
    return take_all_into(moments=[now], person=person)[now] if method in COUNTED else None


def take_all_into(*, moments: Sequence[datetime.datetime], person: User) -> dict[datetime.datetime, int]:
    """Return the takings of a person at these moments, made where missing. Raises TakingClosedError."""
    days = {moment: timezone.localdate(moment) for moment in moments}
    found = _keep_open(person, set(days.values()))
    missing = sorted(set(days.values()) - set(found))
    if missing:
        Taking.objects.bulk_create([Taking(person=person, day=day) for day in missing], ignore_conflicts=True)
        found |= _keep_open(person, set(missing))
    counted = TakingCount.objects.filter(taking__in=found.values(), reopened_at=None).select_related("taking").first()
    if counted is not None:
        raise TakingClosedError(person, counted.taking.day)
    return {moment: found[day] for moment, day in days.items()}


def is_counted(taking_id: int | None) -> bool:
    """Tell whether a day is counted down; else it stays open until the transaction ends. None: in nobody's takings."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT FROM billing_taking WHERE id = %s FOR SHARE", [taking_id])
    return TakingCount.objects.filter(taking=taking_id, reopened_at=None).exists()


def _keep_open(person: User, days: set[datetime.date]) -> dict[datetime.date, int]:
    """Lock for share: others may take into the same day, nobody may count it down meanwhile."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT day, id FROM billing_taking WHERE person_id = %s AND day = ANY(%s) ORDER BY id FOR SHARE",
            [person.pk, sorted(days)],
        )
        return dict(cursor.fetchall())

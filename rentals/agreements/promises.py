"""Signed, and the instrument is still to come: promises made at signing, and settled once it is assigned or the agreement ends.

A promise is open exactly while its agreement runs and never had an instrument; `billing.verify` holds both together.
"""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet

from rentals.agreements.models import Agreement, UnitPromise
from rentals.inventory.models import Instrument
from rentals.staff.models import User
from schools.models import Night


@dataclass(frozen=True)
class Promised:
    """The instrument is still to come: why it is not there, and the one the family was shown, if it was shown one."""

    why: str
    instrument: Instrument | None = None


class PromiseSettledError(Exception):
    """The family has its instrument already, or the agreement has ended."""

    def __init__(self, agreement: Agreement) -> None:
        self.agreement = agreement
        super().__init__(f"{agreement.number} waits for no instrument any more: somebody assigned one, or it ended.")


def make_promise(*, agreement: Agreement, promised: Promised, night: Night | None, now: datetime) -> UnitPromise:
    """Write down that an agreement's instrument is still to come. Inside the operation that signs it."""
    return UnitPromise.objects.create(
        agreement=agreement,
        night=night,
        item=agreement.item,
        promised=promised.instrument,
        why=promised.why[:300],
        made_at=now,
    )


def settle_promise(*, agreement: Agreement, given: Instrument | None, acting_user: User, now: datetime) -> None:
    """End the open promise of a locked agreement, if it has one: by an instrument, or by the agreement's end."""
    for promise in UnitPromise.objects.filter(agreement=agreement, settled_at=None):
        promise.settled_at, promise.settled_by, promise.given = max(now, promise.made_at), acting_user, given
        promise.save(update_fields=["settled_at", "settled_by", "given"])


def is_waiting(agreement: Agreement) -> bool:
    """Tell whether the instrument of an agreement is still to come."""
    promise = getattr(agreement, "promise", None)
    return promise is not None and promise.is_open


def carry_promise(*, before: Agreement, after: Agreement, acting_user: User, now: datetime) -> None:
    """Let the agreement that goes on in another's place wait for the same instrument; with the one before it is settled."""
    for promise in UnitPromise.objects.select_related("promised", "night").filter(agreement=before, settled_at=None):
        make_promise(agreement=after, promised=Promised(promise.why, promise.promised), night=promise.night, now=now)
        settle_promise(agreement=before, given=None, acting_user=acting_user, now=now)


def list_open_promises(night: Night | None = None) -> QuerySet[UnitPromise]:
    """List the promises still open, the oldest first, of one night or of all, with what a line about each needs."""
    promises = UnitPromise.objects.filter(settled_at=None)
    if night is not None:
        promises = promises.filter(night=night)
    shown = ("agreement__household", "agreement__student", "agreement__guardian", "agreement__programme__school")
    return promises.select_related(*shown, "item__kind", "promised", "night__school").order_by("made_at", "pk")

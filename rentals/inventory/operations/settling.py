"""Differences of a stock count settled, one by one or in ticks: each once, as it was seen, with the move that follows."""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction

from rentals.inventory.count_rules import WAYS
from rentals.inventory.models import CountScan, CountSettlement, Custody, Difference, Instrument, Location, StockCount
from rentals.inventory.operations.count_errors import (
    CountClosedError,
    DifferenceGoneError,
    RetiredByManagerError,
    WayNotOpenError,
)
from rentals.inventory.operations.counts import lock_open
from rentals.inventory.operations.errors import (
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    MoveBeforeLastMoveError,
    WorkOrderStillOpenError,
)
from rentals.inventory.operations.instruments import move_by_hand
from rentals.inventory.operations.undoing import bring_back
from rentals.inventory.queries.counts import reconcile
from rentals.runtime.locks import RowsBusyError
from rentals.staff.models import User
from rentals.staff.policy import may

How = CountSettlement.How
REFUSALS = (
    DifferenceGoneError,
    WayNotOpenError,
    RetiredByManagerError,
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    WorkOrderStillOpenError,
    MoveBeforeLastMoveError,
    RowsBusyError,
)

FOUND_AGAIN: list[Callable[..., Any]] = []
"""What rooms above add to finding a lost or retired instrument, in the same transaction: its way back into the books. Each is
called with instrument, reason, acting_user and now."""


@dataclass(frozen=True)
class Pick:
    """A difference as somebody saw it: which sort, the scan (None for a missing one) and the instrument (None for a code)."""

    difference: str
    scan_id: int | None
    instrument_id: int | None

    @classmethod
    def read(cls, key: str) -> "Pick | None":
        """Read what `Finding.key` wrote; None where it is nothing of the kind."""
        parts = key.split("-")
        if len(parts) != 3 or parts[0] not in Difference.values or not all(not each or each.isdecimal() for each in parts[1:]):
            return None
        scan, unit = (int(each) if each else None for each in parts[1:])
        return cls(parts[0], scan, unit) if scan or unit else None


@dataclass
class Settled:
    """What became of the picks: the settlements made, and the sentences of those that were refused."""

    done: list[CountSettlement] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


def settle(
    *,
    count: StockCount,
    picks: Sequence[Pick],
    how: str,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    location: Location | None = None,
) -> Settled:
    """Settle differences in one way, each in its own transaction: what cannot be is left and said, the others are done.

    `location` is where a missing one was found (`moved_there`). Raises CountClosedError.
    """
    result = Settled()
    for pick in picks:
        try:
            made = settle_one(count=count, pick=pick, how=how, reason=reason, acting_user=acting_user, now=now, location=location)
        except REFUSALS as error:
            result.refused.append(str(error))
        else:
            result.done.append(made)
    return result


@transaction.atomic
def settle_one(
    *,
    count: StockCount,
    pick: Pick,
    how: str,
    reason: str,
    acting_user: User,
    now: datetime.datetime,
    location: Location | None = None,
) -> CountSettlement:
    """Settle one difference of an open count, with the move that belongs to it.

    Raises CountClosedError, DifferenceGoneError, WayNotOpenError and what `move_by_hand` raises.
    """
    current = lock_open(count)
    earlier = _left_before(current, pick)
    scan = CountScan.objects.filter(count=current, pk=pick.scan_id, undone_at=None).first() if pick.scan_id else None
    unit = Instrument.objects.filter(pk=pick.instrument_id).first() if pick.instrument_id else None
    name = unit.asset_tag if unit else scan.code if scan else "What you ticked"
    if not earlier and not _still_so(current, pick, now):
        raise DifferenceGoneError(name)
    if how not in WAYS[pick.difference] or (how == How.MOVED_THERE and location in {None, current.location}):
        raise WayNotOpenError(name, Difference(pick.difference).label, How(how).label)
    stood_in = Custody.objects.filter(instrument=unit, ended_at=None).first() if unit else None
    if earlier and stood_in and stood_in.pk != earlier.stood_in_id:
        raise DifferenceGoneError(name)
    custody = _move(current, unit, how=how, reason=reason, location=location, acting_user=acting_user, now=now)
    facts: dict[str, Any] = {"how": how, "reason": reason[:160], "stood_in": stood_in, "custody": custody}
    facts |= {"settled_at": now, "settled_by": acting_user}
    if earlier:
        for field_name, value in facts.items():
            setattr(earlier, field_name, value)
        earlier.save(update_fields=[*facts])
        return earlier
    return CountSettlement.objects.create(count=current, scan=scan, instrument=unit, difference=pick.difference, **facts)


def _left_before(count: StockCount, pick: Pick) -> CountSettlement | None:
    """Return an earlier settlement that left this difference as it was: that may still be settled otherwise."""
    found = CountSettlement.objects.filter(count=count, difference=pick.difference, how=How.LEFT)
    found = found.filter(scan=pick.scan_id) if pick.scan_id else found.filter(scan=None, instrument=pick.instrument_id)
    return found.first()


def _still_so(count: StockCount, pick: Pick, now: datetime.datetime) -> bool:
    only = [pick.instrument_id] if pick.instrument_id else []
    compared = reconcile(count, now, only=only, codes=pick.difference == Difference.UNKNOWN)
    seen = {(each.difference, each.scan_id, each.instrument_id) for each in compared.open_differences}
    return (pick.difference, pick.scan_id, pick.instrument_id) in seen


def _move(
    count: StockCount,
    unit: Instrument | None,
    *,
    how: str,
    reason: str,
    location: Location | None,
    acting_user: User,
    now: datetime.datetime,
) -> Custody | None:
    """Write the move that a settlement means into the chain of custody, with a reason that names the count."""
    if unit is None or how not in {How.MOVED_HERE, How.MOVED_THERE, How.LOST}:
        return None
    where = {How.MOVED_HERE: count.location, How.MOVED_THERE: location, How.LOST: None}[How(how)]
    place = Custody.Place.LOST if how == How.LOST else Custody.Place.SHELF
    words = f"{count} of {count.location}: {reason}"
    gone = str(Custody.objects.filter(instrument=unit, ended_at=None).values_list("place", flat=True).first() or "")
    if how == How.MOVED_HERE and gone in {Custody.Place.LOST, Custody.Place.RETIRED}:
        return _find(unit, gone, location=count.location, reason=words, acting_user=acting_user, now=now)
    return move_by_hand(instrument=unit, place=place, location=where, reason=words, acting_user=acting_user, now=now)


def _find(unit: Instrument, gone: str, *, location: Location, reason: str, acting_user: User, now: datetime.datetime) -> Custody:
    """Bring back what was lost or retired, with the steps of the rooms above."""
    if gone == Custody.Place.RETIRED and not may(acting_user, "instruments.dispose"):
        raise RetiredByManagerError(unit.asset_tag)
    custody = bring_back(instrument=unit, location=location, reason=reason, acting_user=acting_user, now=now)
    for step in FOUND_AGAIN:
        step(instrument=unit, reason=reason, acting_user=acting_user, now=now)
    return custody


__all__ = ["REFUSALS", "CountClosedError", "Pick", "Settled", "settle", "settle_one"]

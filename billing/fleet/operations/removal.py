"""An instrument leaves the books: sold or lost, at what it is still worth there; and comes back when that was undone."""

import datetime

from django.db import transaction

from billing import chart, ledger
from billing.fleet import queries
from billing.fleet.locks import hold_fleet
from billing.fleet.operations.depreciation import catch_up
from billing.models import FleetAsset, FleetRemoval, JournalEntry
from rentals.inventory.models import Instrument
from rentals.runtime.locks import lock_one
from rentals.staff.models import User

BOOK_VALUE_TO = {FleetRemoval.How.SOLD: chart.COST_OF_FLEET_SOLD, FleetRemoval.How.LOST: chart.FLEET_LOST}
WORDS = {FleetRemoval.How.SOLD: "sold", FleetRemoval.How.LOST: "lost or retired"}


@transaction.atomic
def remove_asset(
    *, instrument: Instrument, on: datetime.date, how: str, acting_user: User, now: datetime.datetime
) -> FleetRemoval | None:
    """Take an instrument out of the books, "sold" or "lost": cost and depreciation out, the rest to cost of sale or to losses.

    It is depreciated through the month before it leaves, whether or not the fleet has come so far (no depreciation in the month
    of leaving: common practice, no source). An instrument that is not in the books, or not any more, changes nothing and gives
    None. A day in a closed month is posted on the first open day. A step of a sale or a loss. Raises RowsBusyError.
    """
    hold_fleet(shared=True)
    asset = FleetAsset.objects.filter(instrument=instrument).first()
    if asset is None:
        return None
    asset = lock_one(FleetAsset.objects.filter(pk=asset.pk).select_related("instrument"), strength="no_key")
    if FleetRemoval.objects.filter(asset=asset, undo_entry=None).exists():
        return None
    catch_up(asset=asset, leaves_on=on, acting_user=acting_user, now=now)
    way, depreciated = FleetRemoval.How(how), queries.sum_depreciated(asset.pk)
    removal = FleetRemoval(pk=ledger.next_id(FleetRemoval), asset=asset, removed_on=on, how=way, depreciated=depreciated)
    removal.entry = ledger.post_entry(
        entry_on=ledger.open_day(on),
        kind=JournalEntry.Kind.FLEET,
        memo=f"{asset.instrument.asset_tag} {WORDS[way]}",
        source=f"fleet removal/{removal.pk}",
        postings=[
            ledger.Line(BOOK_VALUE_TO[way], asset.cost - depreciated),
            ledger.Line(chart.DEPRECIATED, depreciated),
            ledger.Line(chart.FLEET, -asset.cost),
        ],
        acting_user=acting_user,
        now=now,
    )
    removal.made_at, removal.made_by = now, acting_user
    removal.save(force_insert=True)
    return removal


@transaction.atomic
def put_back_asset(
    *, instrument: Instrument, on: datetime.date, reason: str, acting_user: User, now: datetime.datetime
) -> FleetRemoval | None:
    """Take an instrument into the books again as it was, when its sale was undone or it was found: its removal is reversed.

    What it missed meanwhile is caught up with the next month. None where it is not out of the books. Raises RowsBusyError.
    """
    hold_fleet(shared=True)
    asset = FleetAsset.objects.filter(instrument=instrument).first()
    if asset is None:
        return None
    lock_one(FleetAsset.objects.filter(pk=asset.pk), strength="no_key")
    removal = FleetRemoval.objects.select_related("entry").filter(asset=asset, undo_entry=None).first()
    if removal is None:
        return None
    removal.undo_entry = ledger.reverse_entry(
        entry=removal.entry,
        entry_on=ledger.open_day(max(on, removal.entry.entry_on)),
        reason=reason,
        acting_user=acting_user,
        now=now,
    )
    removal.save(update_fields=["undo_entry"])
    return removal

"""Every write of the fleet in the books: booking what was bought, depreciating a month, taking an instrument out."""

from billing.fleet.operations.booking import Booked, NothingToBookError, Terms, TermsNotPossibleError, book_instruments
from billing.fleet.operations.depreciation import (
    DepreciationAheadError,
    FleetNotBookedError,
    MonthDepreciatedError,
    MonthSkippedError,
    depreciate_month,
    depreciate_through,
)
from billing.fleet.operations.removal import put_back_asset, remove_asset

__all__ = [
    "Booked",
    "DepreciationAheadError",
    "FleetNotBookedError",
    "MonthDepreciatedError",
    "MonthSkippedError",
    "NothingToBookError",
    "Terms",
    "TermsNotPossibleError",
    "book_instruments",
    "depreciate_month",
    "depreciate_through",
    "put_back_asset",
    "remove_asset",
]

"""What accounts stood at, for the reports to be held against: from the totals of closed months and the entries after them."""

import datetime
from decimal import Decimal

from billing import reports


def list_balances(on: datetime.date) -> dict[str, Decimal]:
    """Return every account's balance at the end of a day, debit positive."""
    found: dict[str, Decimal] = {}
    for row in reports.list_trial_balance(on):
        # What families owe and what they have on account are two lines of one account.
        found[row.code] = found.get(row.code, Decimal(0)) + row.balance
    return found

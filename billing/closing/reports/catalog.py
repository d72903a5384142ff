"""The reports there are, by the name that stands in their address."""

from collections.abc import Callable
from dataclasses import dataclass

from billing.closing.reports.credit import credit
from billing.closing.reports.deferred import deferred
from billing.closing.reports.fleet import fleet
from billing.closing.reports.income import income
from billing.closing.reports.receivables import receivables
from billing.closing.reports.table import Report
from billing.closing.reports.tax import tax
from billing.closing.reports.trial import trial_balance
from billing.closing.span import Month


@dataclass(frozen=True)
class Kind:
    """A report: its address, its name, what it tells in a few words, and how it is made of a month."""

    code: str
    title: str
    tells: str
    make: Callable[[Month], Report]


KINDS: dict[str, Kind] = {
    kind.code: kind
    for kind in (
        Kind("trial-balance", "Trial balance", "Every account: before, movement, after", trial_balance),
        Kind("income", "Income by kind", "What was charged and taken back, the month and the year", income),
        Kind("receivables", "Receivables, rolled forward", "From what was owed to what is owed, month by month", receivables),
        Kind("tax", "Sales tax by jurisdiction", "Taxable, exempt, tax", tax),
        Kind("deferred", "Deferred and unapplied", "Money on account, and rent billed for days to come", deferred),
        Kind("rental-credit", "Rental credit outstanding", "What families could call on, by plan", credit),
        Kind("fleet", "Fleet, rolled forward", "Cost, depreciation and book value by kind of instrument", fleet),
    )
}


def make_all(month: Month) -> list[Report]:
    """Make every report of a month, in their order."""
    return [kind.make(month) for kind in KINDS.values()]

"""Taking instruments that were bought into the books, at cost."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection, transaction

from billing import chart, ledger
from billing.fleet import queries
from billing.fleet.locks import hold_fleet
from billing.fleet.words import counted
from billing.models import FleetAsset, JournalEntry
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


class NothingToBookError(Exception):
    """Every instrument that has a cost is in the books."""

    def __init__(self) -> None:
        super().__init__("There is nothing to book: every instrument of the fleet with a cost is in the books already.")


class TermsNotPossibleError(Exception):
    """Nothing can be depreciated by these terms."""

    def __init__(self, what: str) -> None:
        super().__init__(what)


@dataclass(frozen=True)
class Terms:
    """How the instruments of one booking are depreciated.

    life_months: 1 to 600. salvage_share: what is left at the end as a share of cost, 0 to 1. tax_class: 3, 5 or 7 years.
    """

    life_months: int
    salvage_share: Decimal
    tax_class: int

    def check(self) -> None:
        """Raise TermsNotPossibleError where one is out of bounds."""
        if not 1 <= self.life_months <= 600:
            raise TermsNotPossibleError("An instrument's life is between 1 and 600 months. Write the months, like 84.")
        if not 0 <= self.salvage_share <= 1:
            raise TermsNotPossibleError("What is left at the end is between 0 and 100 percent of cost.")
        if self.tax_class not in FleetAsset.TaxClass:
            raise TermsNotPossibleError("Choose the tax class: 3, 5 or 7 years.")


@dataclass(frozen=True)
class Booked:
    """What one booking did."""

    assets: int
    cost: Decimal
    entries: int


BOOK = """
INSERT INTO billing_fleetasset (instrument_id, cost, in_service_on, life_months, salvage, method, tax_class,
                                entry_id, booked_at, booked_by_id)
SELECT i.id, i.cost, i.acquired_on, %(life)s, round(i.cost * %(salvage)s, 2), 'straight_line', %(tax_class)s,
       %(entry)s, %(now)s, %(user)s
  FROM inventory_instrument i WHERE i.id = ANY(%(ids)s) ORDER BY i.id
"""


@transaction.atomic
def book_instruments(
    *,
    terms: Terms,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
    request_key: UUID | None = None,
) -> Booked:
    """Take every instrument with a cost into the books that is not there yet, bought by today and still of the fleet.

    Instruments at cost against what was bought and is to be cleared, or against opening balances where that was before the books
    began: one entry for each month of purchase, on its last day of purchase or, where that is closed or before the books, on the
    first open day. Sent again with the same `request_key` it tells what it did. Outermost, or in a load.
    Raises TermsNotPossibleError, NothingToBookError, RowsBusyError.
    """
    terms.check()
    if request_key is not None:
        asked = {"life": terms.life_months, "salvage": terms.salvage_share, "tax_class": terms.tax_class}
        answer = claim_request(key=request_key, purpose="fleet", request=asked, acting_user=acting_user)
        if answer is not None:
            return Booked(answer["assets"], Decimal(answer["cost"]), answer["entries"])
    hold_fleet()
    months = queries.lock_unbooked(today)
    if not months:
        raise NothingToBookError
    entries = ledger.post_entries(drafts=_drafts(months, today, now), acting_user=acting_user)
    common: dict[str, Any] = {"life": terms.life_months, "salvage": terms.salvage_share, "tax_class": terms.tax_class, "now": now}
    with connection.cursor() as cursor:
        for entry, month in zip(entries, months, strict=True):
            cursor.execute(BOOK, {**common, "user": acting_user.pk, "entry": entry.pk, "ids": month.ids})
    booked = Booked(sum(len(m.ids) for m in months), sum((m.cost for m in months), ZERO), len(entries))
    if request_key is not None:
        keep_answer(key=request_key, answer={"assets": booked.assets, "cost": str(booked.cost), "entries": booked.entries})
    return booked


def _drafts(months: list[queries.MonthBought], today: datetime.date, now: datetime.datetime) -> list[ledger.Draft]:
    opened_on, first_day = queries.books_opened_on(today), queries.first_open_day(today)
    return [
        ledger.Draft(
            entry_on=max(month.last_on, first_day),
            kind=JournalEntry.Kind.FLEET,
            memo=f"{counted(len(month.ids))} bought in {written_day(month.last_on, 'month')}",
            source=f"fleet/{month.last_on:%Y-%m}/{month.ids[0]}",
            postings=[
                ledger.Line(chart.FLEET, month.cost),
                ledger.Line(chart.FLEET_TO_CLEAR if month.last_on >= opened_on else chart.OPENING, -month.cost),
            ],
            made_at=now,
        )
        for month in months
    ]

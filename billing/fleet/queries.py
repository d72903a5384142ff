"""The fleet in the books as it is read: what is to be booked, which month is next, totals by kind against the ledger."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import connection
from django.db.models import CharField, DecimalField, Exists, F, Max, Min, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from billing import chart, ledger
from billing.models import DepreciatedMonth, FleetAsset, FleetDepreciation, FleetRemoval, JournalEntry, Posting
from rentals.inventory.models import Custody
from rentals.runtime.money import ZERO

GONE = [Custody.Place.SOLD, Custody.Place.LOST, Custody.Place.RETIRED]
AMOUNT = DecimalField(max_digits=14, decimal_places=2)

# Bought by the day, at a cost, not in the books, and not gone from the fleet before it ever was.
UNBOOKED = """
  FROM inventory_instrument i
 WHERE i.cost > 0 AND i.acquired_on <= %(today)s
   AND NOT EXISTS (SELECT FROM billing_fleetasset a WHERE a.instrument_id = i.id)
   AND NOT EXISTS (SELECT FROM inventory_custody c
                    WHERE c.instrument_id = i.id AND c.ended_at IS NULL AND c.place IN ('sold', 'lost', 'retired'))
"""


@dataclass(frozen=True)
class MonthBought:
    """The instruments of one month of purchase that are not in the books yet."""

    last_on: datetime.date
    cost: Decimal
    ids: list[int]


def lock_unbooked(today: datetime.date) -> list[MonthBought]:
    """Lock what is to be booked and return it by month of purchase, the earliest first; inside a transaction."""
    sql = f"""
        WITH bought AS (SELECT i.id, i.cost, i.acquired_on {UNBOOKED} ORDER BY i.id FOR SHARE OF i)
        SELECT max(acquired_on), sum(cost), array_agg(id ORDER BY id) FROM bought
         GROUP BY date_trunc('month', acquired_on) ORDER BY 1"""  # noqa: S608 - no part of it comes from outside
    with connection.cursor() as cursor:
        cursor.execute(sql, {"today": today})
        return [MonthBought(*row) for row in cursor.fetchall()]


@dataclass(frozen=True)
class Unbooked:
    """What is to be booked, in one line."""

    count: int
    cost: Decimal
    first_on: datetime.date | None
    last_on: datetime.date | None


def sum_unbooked(today: datetime.date) -> Unbooked:
    """Count and add up what is to be booked."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT count(*), coalesce(sum(i.cost), 0), min(i.acquired_on), max(i.acquired_on) {UNBOOKED}",
            {"today": today},
        )
        return Unbooked(*cursor.fetchone())


def books_opened_on(today: datetime.date) -> datetime.date:
    """Return the first day of the month in which the books began: of the first entry, or of this month where there is none."""
    return min(_first_entry_on() or today, today).replace(day=1)


def _first_entry_on() -> datetime.date | None:
    first: datetime.date | None = JournalEntry.objects.aggregate(first=Min("entry_on"))["first"]
    return first


def first_open_day(today: datetime.date) -> datetime.date:
    """Return the first day that may be posted on: of the first open month, or of the month in which the books began."""
    return ledger.open_day(books_opened_on(today))


def last_month_done() -> datetime.date | None:
    """Return the first day of the last month that is depreciated."""
    last: datetime.date | None = DepreciatedMonth.objects.aggregate(last=Max("first_day"))["last"]
    return last


def next_month(today: datetime.date) -> datetime.date | None:
    """Return the first day of the month that is depreciated next, None while nothing is in the books.

    The one after the last that is done; the first open one when books were closed meanwhile, or when none is done yet.
    """
    bought = FleetAsset.objects.aggregate(first=Min("in_service_on"))["first"]
    if bought is None:
        return None
    last = last_month_done()
    following: datetime.date = bought.replace(day=1) if last is None else ledger.month_after(last)
    return max(following, first_open_day(today)) if last is None else ledger.open_day(following)


def list_next_months(today: datetime.date) -> list[datetime.date]:
    """List the months that are over and not depreciated yet, in order."""
    following, months = next_month(today), []
    while following is not None and ledger.month_after(following) <= today:
        months.append(following)
        following = ledger.month_after(following)
    return months


# Every asset in force, with where its life stands at the end of the month and what was depreciated before.
# What lies before the books began is no expense of theirs, but a part of their opening balances.
DUE = """
SELECT due.id AS asset_id, due.age, due.so_far, due.so_far - due.accumulated AS amount,
       least(due.so_far, greatest(due.accumulated, billing_straight_line(basis, life_months, billing_months_used(
            in_service_on, (%(opened)s::date - interval '1 month')::date, life_months)))) - due.accumulated AS opening
  FROM (SELECT stand.*, billing_straight_line(basis, life_months, age) AS so_far
          FROM (SELECT a.id, a.cost - a.salvage AS basis, a.life_months, a.in_service_on, coalesce(l.age, 0) AS was_age,
                       coalesce(l.accumulated, 0) AS accumulated,
                       billing_months_used(a.in_service_on, %(month)s::date, a.life_months) AS age
                  FROM billing_fleetasset a
                  LEFT JOIN LATERAL (SELECT d.age, d.accumulated FROM billing_fleetdepreciation d
                                      WHERE d.asset_id = a.id ORDER BY d.month DESC LIMIT 1) l ON true
                 WHERE (%(asset)s::bigint IS NULL OR a.id = %(asset)s)
                   AND NOT EXISTS (SELECT FROM billing_fleetremoval r WHERE r.asset_id = a.id AND r.undo_entry_id IS NULL)) stand
         WHERE age > was_age) due
"""


@dataclass(frozen=True)
class Due:
    """What is to be depreciated; `opening` is the part of the amount that lies before the books began."""

    count: int
    amount: Decimal
    opening: Decimal


NOTHING_DUE = Due(0, ZERO, ZERO)


def due_by(month: datetime.date, asset_id: int | None = None) -> dict[str, Any]:
    """Return what DUE asks for: the end of a month (its first day), of the whole fleet or of one asset."""
    return {"month": month, "asset": asset_id, "opened": (_first_entry_on() or month).replace(day=1)}


def sum_due(month: datetime.date, asset_id: int | None = None) -> Due:
    """Count and add up what is to be depreciated by the end of a month, of the whole fleet or of one asset."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT count(*), coalesce(sum(amount), 0), coalesce(sum(opening), 0) FROM ({DUE}) d",  # noqa: S608
            due_by(month, asset_id),
        )
        return Due(*cursor.fetchone())


def sum_depreciated(asset_id: int) -> Decimal:
    """Return what has been depreciated of an asset so far."""
    last = FleetDepreciation.objects.filter(asset_id=asset_id).order_by("-month").values_list("accumulated", flat=True).first()
    return last if last is not None else ZERO


@dataclass(frozen=True)
class KindTotal:
    """The assets of one kind of instrument in the books."""

    code: str
    name: str
    count: int
    cost: Decimal
    depreciated: Decimal

    @property
    def book_value(self) -> Decimal:
        """What they still stand for."""
        return self.cost - self.depreciated


BY_KIND = """
SELECT k.code, k.name, count(*), sum(a.cost), coalesce(sum(l.accumulated), 0)
  FROM billing_fleetasset a
  JOIN inventory_instrument i ON i.id = a.instrument_id JOIN inventory_catalogueitem c ON c.id = i.item_id
  JOIN inventory_instrumentkind k ON k.code = c.kind_id
  LEFT JOIN LATERAL (SELECT d.accumulated FROM billing_fleetdepreciation d
                      WHERE d.asset_id = a.id ORDER BY d.month DESC LIMIT 1) l ON true
 WHERE NOT EXISTS (SELECT FROM billing_fleetremoval r WHERE r.asset_id = a.id AND r.undo_entry_id IS NULL)
 GROUP BY k.code ORDER BY k."order", k.name
"""


def list_by_kind() -> list[KindTotal]:
    """List what stands in the books, kind by kind."""
    with connection.cursor() as cursor:
        cursor.execute(BY_KIND)
        return [KindTotal(*row) for row in cursor.fetchall()]


def total(rows: list[KindTotal]) -> KindTotal:
    """Add the kinds up."""
    cost, depreciated = sum((row.cost for row in rows), ZERO), sum((row.depreciated for row in rows), ZERO)
    return KindTotal("", "All kinds", sum(row.count for row in rows), cost, depreciated)


@dataclass(frozen=True)
class TieOut:
    """One figure of the assets beside the account of the ledger that must show the same."""

    label: str
    account: str
    assets: Decimal
    ledger: Decimal

    @property
    def difference(self) -> Decimal:
        """Zero when they agree."""
        return self.assets - self.ledger


def tie_out(whole: KindTotal) -> list[TieOut]:
    """Set the assets' cost and depreciation beside accounts 1500 and 1590, depreciation as a credit in both."""
    found = dict(
        Posting.objects.filter(account_id__in=[chart.FLEET, chart.DEPRECIATED])
        .order_by()
        .values_list("account_id")
        .annotate(Sum("amount"))
    )
    return [
        TieOut("Cost", chart.FLEET, whole.cost, found.get(chart.FLEET, ZERO)),
        TieOut("Depreciated", chart.DEPRECIATED, -whole.depreciated, found.get(chart.DEPRECIATED, ZERO)),
    ]


def sum_to_clear() -> Decimal:
    """Return what was booked as bought and is not cleared yet against what was paid for it."""
    found = Posting.objects.filter(account_id=chart.FLEET_TO_CLEAR).aggregate(sum=Sum("amount"))["sum"]
    return -Decimal(found or ZERO)


def list_assets(*, kind: str = "", text: str = "", show: str = "in") -> "QuerySet[Any]":
    """List assets by asset tag, with `depreciated`, `book_value`, `place` by the inventory, and `removed_how`.

    show: "in" the books, "gone" (in the books, but sold, lost or retired by the inventory), "out" of the books, or "all".
    """
    last = FleetDepreciation.objects.filter(asset=OuterRef("pk")).order_by("-month")
    place = Custody.objects.filter(instrument=OuterRef("instrument"), ended_at=None)
    removed = FleetRemoval.objects.filter(asset=OuterRef("pk"), undo_entry=None)
    rows: QuerySet[Any] = FleetAsset.objects.select_related("instrument__item__kind").annotate(
        depreciated=Coalesce(Subquery(last.values("accumulated")[:1]), Value(ZERO), output_field=AMOUNT),
        book_value=F("cost") - F("depreciated"),
        place=Coalesce(Subquery(place.values("place")[:1]), Value(""), output_field=CharField()),
        removed_how=Coalesce(Subquery(removed.values("how")[:1]), Value(""), output_field=CharField()),
    )
    if show in {"in", "gone"}:
        rows = rows.filter(~Exists(removed))
    if show == "gone":
        rows = rows.filter(Exists(place.filter(place__in=GONE)))
    if show == "out":
        rows = rows.filter(Exists(removed))
    if kind:
        rows = rows.filter(instrument__item__kind=kind)
    if text:
        rows = rows.filter(Q(instrument__asset_tag__icontains=text) | Q(instrument__serial_number__icontains=text))
    return rows.order_by("instrument__asset_tag")

"""The figures of the fleet put together: by kind, by catalogue item, by instrument, and beside the ledger."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import connection

from billing import chart
from billing.earning import rent, repairs, rules, spans, use, worth
from billing.earning.rent import Earned
from billing.earning.rules import Use
from billing.earning.spans import Span
from billing.earning.worth import Worth
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.money import ZERO


@dataclass(frozen=True)
class Figures:
    """What some instruments earned and cost in a span, how they were used, and what they are worth now."""

    earned: Earned = field(default_factory=Earned)
    repairs: Decimal = ZERO
    use: Use = field(default_factory=Use)
    worth: Worth = field(default_factory=Worth)

    @property
    def result(self) -> Decimal:
        """What they brought in less what work on them cost: before depreciation, the office and everything else."""
        return self.earned.total - self.repairs

    @property
    def payback(self) -> Decimal | None:
        """Months in which one pays its cost by rent, at the pace of the span."""
        if not self.worth.count:
            return None
        return rules.months_to_pay(self.worth.cost / self.worth.count, self.earned.net, self.use.months_owned)

    def __add__(self, other: "Figures") -> "Figures":
        return Figures(self.earned + other.earned, self.repairs + other.repairs, self.use + other.use, self.worth + other.worth)


@dataclass(frozen=True)
class Row:
    """One line of a list of figures. `key` is a kind's code or the id of an item or instrument."""

    key: str | int
    name: str
    figures: Figures
    kind: str = ""
    model: str = ""
    acquired_on: datetime.date | None = None


def total(rows: Iterable[Row]) -> Figures:
    """Add a list up."""
    return sum((row.figures for row in rows), Figures())


@dataclass(frozen=True)
class Fleet:
    """The figures of every catalogue item in a span, and the rent that names no instrument."""

    span: Span
    by_item: dict[int, Figures]
    unnamed: Earned

    @property
    def whole(self) -> Figures:
        """All of them."""
        return sum(self.by_item.values(), Figures())


def measure(span: Span, now: datetime.datetime, only: Sequence[int] | None = None) -> Fleet:
    """Work out the figures of the whole fleet, or of some catalogue items only, item by item: four statements."""
    earned, used = rent.sum_by_item(span, only), use.sum_by_item(span, now, only)
    cost, there = repairs.sum_by_item(span, only), worth.sum_by_item(only)
    unnamed = earned.pop(None, Earned())
    items = {item for item in earned if item is not None} | set(used) | set(cost) | set(there)
    by_item = {
        item: Figures(earned.get(item, Earned()), cost.get(item, ZERO), used.get(item, Use()), there.get(item, Worth()))
        for item in items
    }
    return Fleet(span, by_item, unnamed)


@dataclass(frozen=True)
class Catalogue:
    """The catalogue's items in their order, read once for a page."""

    items: dict[int, CatalogueItem]

    @property
    def kinds(self) -> list[tuple[str, str]]:
        """The kinds that have an item, as choices."""
        return list(dict.fromkeys((item.kind_id, item.kind.name) for item in self.items.values()))

    def of_kind(self, code: str) -> list[int]:
        """The ids of a kind's items."""
        return [pk for pk, item in self.items.items() if item.kind_id == code]


def read_catalogue() -> Catalogue:
    """Read the catalogue: one statement."""
    return Catalogue({item.pk: item for item in CatalogueItem.objects.select_related("kind")})


def list_kinds(fleet: Fleet, catalogue: Catalogue) -> list[Row]:
    """List the kinds of the fleet in their order."""
    found: dict[str, Figures] = {}
    for pk, item in catalogue.items.items():
        if pk in fleet.by_item:
            found[item.kind_id] = found.get(item.kind_id, Figures()) + fleet.by_item[pk]
    return [Row(code, name, found[code]) for code, name in catalogue.kinds if code in found]


def list_items(fleet: Fleet, catalogue: Catalogue, kind: str = "") -> list[Row]:
    """List the catalogue items of the fleet in their order, of one kind or of all."""
    return [
        Row(pk, str(item), fleet.by_item[pk], item.kind.name, str(item))
        for pk, item in catalogue.items.items()
        if pk in fleet.by_item and kind in {"", item.kind_id}
    ]


@dataclass(frozen=True)
class Wanted:
    """Which instruments: of a kind, of an item, with a piece of the tag; "" and None leave nothing out."""

    kind: str = ""
    item: int | None = None
    text: str = ""


def list_instruments(span: Span, now: datetime.datetime, catalogue: Catalogue, wanted: Wanted) -> list[Row]:
    """List the instruments that were the shop's in a span or are now, by tag."""
    found, only = Instrument.objects.order_by("asset_tag"), None
    if wanted.item or wanted.kind:
        only = [wanted.item] if wanted.item else catalogue.of_kind(wanted.kind)
        found = found.filter(item__in=only)
    if wanted.text:
        found = found.filter(asset_tag__contains=wanted.text.upper())
    earned, used = rent.sum_by_instrument(span, only), use.sum_by_instrument(span, now, only)
    cost, there = repairs.sum_by_instrument(span, only), worth.sum_by_instrument(only)
    known = {*earned, *used, *cost, *there}
    rows = []
    for pk, tag, item_id, acquired_on in found.values_list("pk", "asset_tag", "item", "acquired_on"):
        if pk in known:
            figures = Figures(earned.get(pk, Earned()), cost.get(pk, ZERO), used.get(pk, Use()), there.get(pk, Worth()))
            item = catalogue.items[item_id]
            rows.append(Row(pk, tag, figures, item.kind.name, str(item), acquired_on))
    return rows


@dataclass(frozen=True)
class Life:
    """One instrument month by month; `worth` is of now."""

    rent: list[tuple[datetime.date, Earned]]
    repairs: list[tuple[datetime.date, Decimal]]
    use: list[tuple[datetime.date, Use]]
    worth: Worth

    def within(self, span: Span) -> Figures:
        """Its figures in a span, which begins and ends with months."""

        def inside(rows: list[tuple[datetime.date, Any]]) -> list[Any]:
            return [value for month, value in rows if span.from_on <= month < span.until_on]

        return Figures(rent.add_up(inside(self.rent)), sum(inside(self.repairs), ZERO), sum(inside(self.use), Use()), self.worth)


def read_life(instrument_id: int, everything: Span, now: datetime.datetime) -> Life:
    """Read one instrument's life: four statements."""
    months = 12 * (everything.last_on.year - everything.from_on.year) + everything.last_on.month - everything.from_on.month + 1
    used = use.list_by_month(everything.until_on, now, months, instrument_id)
    return Life(
        rent.list_months_of_instrument(instrument_id, everything),
        repairs.list_months_of_instrument(instrument_id, everything),
        list(zip(used.months, used.of(), strict=True)),
        worth.get_of_instrument(instrument_id),
    )


@dataclass(frozen=True)
class TieOut:
    """What the instruments earned beside what moved on the account of the ledger: the rest is named, never hidden."""

    what: str
    account: str
    instruments: Decimal
    unnamed: Decimal
    ledger: Decimal

    @property
    def rest(self) -> Decimal:
        """What the ledger has beyond that: entries made by hand. Zero when both agree."""
        return self.ledger - self.instruments - self.unnamed


# Closed months by their totals, the rest entry by entry, as the trial balance does. Spans begin with a month.
MOVED = """
WITH closed AS (SELECT coalesce((max(first_day) + interval '1 month')::date, '-infinity'::date) AS until
                  FROM billing_closedmonth WHERE first_day + interval '1 month' <= %(until)s::date)
SELECT account_id, -sum(amount) FROM (
    SELECT t.account_id, t.amount FROM billing_monthtotal t, closed
     WHERE t.month_id >= %(from)s AND t.month_id < closed.until AND t.account_id = ANY(%(accounts)s)
     UNION ALL
    SELECT p.account_id, p.amount
      FROM closed, billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
     WHERE e.entry_on >= greatest(%(from)s::date, closed.until) AND e.entry_on < %(until)s AND p.account_id = ANY(%(accounts)s)
) moved GROUP BY 1
"""


def tie_out(fleet: Fleet) -> list[TieOut]:
    """Set rent and protection of the span beside accounts 4000 and 4100."""
    with connection.cursor() as cursor:
        accounts = [chart.RENT, chart.PROTECTION]
        cursor.execute(MOVED, {"from": fleet.span.from_on, "until": fleet.span.until_on, "accounts": accounts})
        moved = dict(cursor.fetchall())
    whole = fleet.whole.earned
    return [
        TieOut(what, code, getattr(whole, name), getattr(fleet.unnamed, name), moved.get(code, ZERO))
        for what, code, name in (("Rent", chart.RENT, "rent"), ("Protection", chart.PROTECTION, "protection"))
    ]


FIRST = """
SELECT least((SELECT min(entry_on) FROM billing_journalentry),
             (SELECT (began_at AT TIME ZONE %(zone)s)::date FROM inventory_custody ORDER BY id LIMIT 1), %(today)s::date)
"""


def list_spans(today: datetime.date) -> list[Span]:
    """List the spans that can be chosen: from the first entry of the books or the first instrument received on."""
    with connection.cursor() as cursor:
        cursor.execute(FIRST, {"zone": settings.TIME_ZONE, "today": today})
        return spans.list_spans(cursor.fetchone()[0], today)

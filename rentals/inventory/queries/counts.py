"""Stock counts: what is expected, found, missing and unexpected, made anew from the chain of custody whenever it is asked."""

import datetime
from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from django.db import connection
from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet

from rentals.inventory.count_rules import Chain, Standing, judge
from rentals.inventory.models import CountScan, CountSettlement, Custody, Difference, Instrument, StockCount
from rentals.inventory.queries.scans import match_codes

# One row for every instrument that stood here some time during the count, or was scanned in it. Only a shelf or a bench is at a
# location.
COMPARE = """
WITH here AS (
    SELECT c.instrument_id AS unit, bool_or(c.began_at <= %(opened)s AND (c.ended_at IS NULL OR c.ended_at > %(at)s)) AS stood,
           bool_or(c.began_at <= %(opened)s) AS was_here, bool_or(c.ended_at IS NULL OR c.ended_at > %(at)s) AS is_here
      FROM inventory_custody c JOIN inventory_instrument i ON i.id = c.instrument_id
      JOIN inventory_catalogueitem t ON t.id = i.item_id
     WHERE c.location_id = %(location)s AND c.began_at <= %(at)s
       AND (c.ended_at IS NULL OR c.ended_at > %(opened)s)
       AND (%(all_kinds)s OR t.kind_id = ANY(%(kinds)s)) AND (%(all_units)s OR c.instrument_id = ANY(%(units)s))
     GROUP BY c.instrument_id
), scanned AS (
    SELECT s.id, s.instrument_id AS unit, s.scanned_at FROM inventory_countscan s
     WHERE s.count_id = %(count)s AND s.undone_at IS NULL AND s.instrument_id IS NOT NULL
       AND (%(all_units)s OR s.instrument_id = ANY(%(units)s))
), seen AS (
    SELECT s.id, s.unit, c.place, c.location_id,
           EXISTS (SELECT FROM inventory_custody l WHERE l.instrument_id = s.unit AND l.began_at > s.scanned_at
                      AND l.began_at <= %(at)s) AS moved_since,
           EXISTS (SELECT FROM inventory_custody n WHERE n.instrument_id = s.unit AND n.began_at <= %(at)s
                      AND (n.ended_at IS NULL OR n.ended_at > %(at)s) AND n.location_id = %(location)s) AS is_here,
           %(all_kinds)s OR t.kind_id = ANY(%(kinds)s) AS is_counted_kind
      FROM scanned s JOIN inventory_instrument i ON i.id = s.unit JOIN inventory_catalogueitem t ON t.id = i.item_id
      LEFT JOIN inventory_custody c ON c.instrument_id = s.unit AND c.began_at <= s.scanned_at
           AND (c.ended_at IS NULL OR c.ended_at > s.scanned_at)
)
SELECT coalesce(here.unit, seen.unit), seen.id, coalesce(here.stood, false), coalesce(here.was_here, false),
       coalesce(here.is_here, seen.is_here, false), coalesce(seen.location_id = %(location)s, false),
       coalesce(seen.moved_since, false), coalesce(seen.is_counted_kind, true), coalesce(seen.place, ''),
       coalesce(seen.location_id, '')
  FROM here FULL JOIN seen ON seen.unit = here.unit ORDER BY 1
"""


@dataclass(frozen=True, order=True)
class Finding:
    """One difference, or one explained oddity: the instrument or the code, the scan (None for a missing one), and what it is."""

    instrument_id: int | None
    scan_id: int | None
    standing: Standing
    difference: str = ""
    code: str = ""

    @property
    def key(self) -> str:
        """How a form names it: what was seen, so that a settlement of something that changed meanwhile is refused."""
        return f"{self.difference}-{self.scan_id or ''}-{self.instrument_id or ''}"


@dataclass(frozen=True)
class Reconciled:
    """A count held against the books at one moment. What was settled is left out of the differences."""

    count: StockCount
    at: datetime.datetime | None
    found: int = 0
    missing: list[Finding] = field(default_factory=list)
    unexpected: list[Finding] = field(default_factory=list)
    explained: list[Finding] = field(default_factory=list)
    settlements: int = 0
    settled_missing: int = 0
    settled_unexpected: int = 0

    @property
    def expected(self) -> int:
        """How many should have been seen here: those found and those not seen, settled or not."""
        return self.found + len(self.missing) + self.settled_missing

    @property
    def open_differences(self) -> list[Finding]:
        """What still waits for a decision."""
        return [*self.missing, *self.unexpected]


def reconcile(
    count: StockCount, at: datetime.datetime | None = None, *, only: Collection[int] | None = None, codes: bool = True
) -> Reconciled:
    """Hold a count against the chain of custody at a moment (a closed count: when it was closed), all in one statement.

    `only`: ids of instruments to look at; `codes=False` leaves unknown codes out.
    """
    at = count.closed_at or at
    scans, units = _settled(count)
    result = Reconciled(count, at, settlements=len(scans) + len(units))
    figures = dict.fromkeys(("found", "settled_missing", "settled_unexpected"), 0)
    for finding in _compare(count, at, only):
        if finding.standing is Standing.FOUND:
            figures["found"] += 1
        elif finding.scan_id in scans:
            figures["settled_unexpected"] += 1
        elif finding.scan_id is None and finding.instrument_id in units:
            figures["settled_missing"] += 1
        elif finding.standing is Standing.MISSING:
            result.missing.append(finding)
        elif finding.standing is Standing.UNEXPECTED:
            result.unexpected.append(finding)
        else:
            result.explained.append(finding)
    if codes:
        figures["settled_unexpected"] += _add_codes(result, scans)
    return replace(
        result,
        found=figures["found"],
        settled_missing=figures["settled_missing"],
        settled_unexpected=figures["settled_unexpected"],
    )


def _settled(count: StockCount) -> tuple[set[int], set[int]]:
    """Return the scans that were settled, and the missing instruments."""
    rows = list(count.settlements.values_list("scan_id", "instrument_id"))
    return {scan for scan, _ in rows if scan}, {unit for scan, unit in rows if not scan and unit}


def _compare(count: StockCount, at: datetime.datetime | None, only: Collection[int] | None) -> list[Finding]:
    parameters: dict[str, Any] = {
        "count": count.pk,
        "location": count.location_id,
        "opened": count.opened_at,
        "at": at or datetime.datetime.max.replace(tzinfo=datetime.UTC),
        "kinds": count.kinds,
        "all_kinds": not count.kinds,
        "units": list(only or ()),
        "all_units": only is None,
    }
    with connection.cursor() as cursor:
        cursor.execute(COMPARE, parameters)
        rows = cursor.fetchall()
    found = []
    for unit, scan, stood, was_here, is_here, here_at_scan, moved_since, is_counted, place, location in rows:
        chain = Chain(stood, was_here, is_here, scan is not None, here_at_scan, moved_since, is_counted)
        standing = judge(chain)
        difference = ""
        if standing is Standing.MISSING:
            difference = Difference.MISSING.value
        elif standing is Standing.UNEXPECTED:
            difference = Difference.ELSEWHERE.value if location else place or Difference.NOWHERE.value
        found.append(Finding(unit, scan, standing, difference))
    return found


def _add_codes(result: Reconciled, settled: set[int]) -> int:
    """Add the codes that meant no instrument when they were scanned, and return how many of them are settled.

    A code that means an instrument by now was taken into the fleet since.
    """
    scans = CountScan.objects.filter(count=result.count, undone_at=None, instrument=None).order_by("pk").values_list("pk", "code")
    every = list(scans)
    rows = [(pk, code) for pk, code in every if pk not in settled]
    meant = match_codes([code for _, code in rows]) if rows else {}
    for pk, code in rows:
        units = meant.get(code, [])
        if len(units) == 1:
            result.explained.append(Finding(units[0], pk, Standing.BOOKED_SINCE, "", code))
        else:
            result.unexpected.append(Finding(None, pk, Standing.UNEXPECTED, Difference.UNKNOWN.value, code))
    return len(every) - len(rows)


def list_counts(*, location: str = "", state: str = "") -> QuerySet[StockCount]:
    """Return counts, open ones first, then the newest, with how many scans stand in each as `scan_count`."""
    found = StockCount.objects.select_related("location", "opened_by", "closed_by")
    if location:
        found = found.filter(location=location)
    if state == "open":
        found = found.filter(closed_at=None)
    elif state == "closed":
        found = found.exclude(closed_at=None)
    counted = found.annotate(scan_count=Count("scans", filter=Q(scans__undone_at=None)))
    return counted.order_by(F("closed_at").desc(nulls_first=True), "-pk")


def get_open_count(location: str) -> StockCount | None:
    """Return the open count of a shop, None when there is none."""
    return StockCount.objects.filter(location=location, closed_at=None).select_related("location", "opened_by").first()


def list_scans(count: StockCount) -> QuerySet[CountScan]:
    """Return the scans that stand in a count, newest first."""
    found = CountScan.objects.filter(count=count, undone_at=None).select_related("instrument__item__kind", "scanned_by")
    return found.order_by("-pk")


def tally(count: StockCount) -> dict[str, int]:
    """Count the scans that stand by the verdict that was told."""
    return Counter(CountScan.objects.filter(count=count, undone_at=None).values_list("told", flat=True))


def _missing_marks() -> QuerySet[CountSettlement]:
    """Return the settlements that left a missing instrument as it is, it has not moved since, and no count has seen it since."""
    seen = CountScan.objects.filter(
        instrument=OuterRef("instrument"), undone_at=None, scanned_at__gt=OuterRef("count__opened_at")
    ).exclude(count__outcome=StockCount.Outcome.CALLED_OFF)
    marks = CountSettlement.objects.filter(
        difference=Difference.MISSING, how=CountSettlement.How.LEFT, stood_in__ended_at=None
    ).exclude(count__outcome=StockCount.Outcome.CALLED_OFF)
    return marks.filter(~Exists(seen))


def get_missing_mark(instrument: Instrument) -> CountSettlement | None:
    """Return by which count an instrument has been missing since, None when it is not missing: the first of those in a row."""
    marks = _missing_marks().filter(instrument=instrument).select_related("count__location", "settled_by")
    return marks.order_by("settled_at", "pk").first()


def list_missing_marks(instruments: Iterable[int]) -> dict[int, CountSettlement]:
    """Return, for those of the instruments that are missing, by which count they have been missing since."""
    marks = _missing_marks().filter(instrument__in=list(instruments)).select_related("count__location", "settled_by")
    return {mark.instrument_id or 0: mark for mark in marks.order_by("-settled_at", "-pk")}


def list_missing() -> QuerySet[CountSettlement]:
    """Return the marks of all instruments that counts did not see, for filters: `instrument__in=…values("instrument")`."""
    return _missing_marks()


def get_last_custodies(instruments: Collection[int]) -> dict[int, Custody]:
    """Return the open custody of each instrument, with its keeper and who moved it there: where it was last known to be."""
    rows = Custody.objects.filter(instrument__in=instruments, ended_at=None)
    return {row.instrument_id: row for row in rows.select_related("location", "household", "school", "moved_by")}

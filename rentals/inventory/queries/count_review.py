"""A count's review, for its screen and its file: each difference with the scan, what the books say, and who saw it last."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from rentals.inventory.count_rules import EXPLAINED
from rentals.inventory.models import CountScan, CountSettlement, Difference, Instrument, StockCount
from rentals.inventory.queries import Whereabouts, describe
from rentals.inventory.queries.counts import Finding, Reconciled, get_last_custodies, list_scans


@dataclass(frozen=True)
class Line:
    """One line of the review."""

    finding: Finding
    unit: Instrument | None
    scan: CountScan | None
    where: Whereabouts | None
    seen: CountScan | None = None

    @property
    def words(self) -> str:
        """What it is: the difference, or why it is explained."""
        if self.finding.difference:
            return str(Difference(self.finding.difference).label)
        return EXPLAINED[self.finding.standing]

    @property
    def name(self) -> str:
        """The tag, or the code that is nobody's."""
        return self.unit.asset_tag if self.unit else self.finding.code


def list_lines(count: StockCount, findings: Sequence[Finding]) -> list[Line]:
    """Dress findings for the screen, in at most four queries however many there are."""
    unit_ids = [each.instrument_id for each in findings if each.instrument_id]
    scan_ids = [each.scan_id for each in findings if each.scan_id]
    units = {row.pk: row for row in Instrument.objects.filter(pk__in=unit_ids).select_related("item__kind")}
    rows = CountScan.objects.filter(pk__in=scan_ids).select_related("scanned_by") if scan_ids else []
    scans = {row.pk: row for row in rows}
    places = get_last_custodies(unit_ids)
    seen = _last_seen(count, [each.instrument_id for each in findings if each.instrument_id and not each.scan_id])
    return [
        Line(
            each,
            units.get(each.instrument_id or 0),
            scans.get(each.scan_id or 0),
            describe(places[each.instrument_id]) if each.instrument_id in places else None,
            seen.get(each.instrument_id or 0),
        )
        for each in findings
    ]


def _last_seen(count: StockCount, units: Sequence[int | None]) -> dict[int, CountScan]:
    """Return the last scan of each instrument in another count, where that is later than its last move."""
    if not units:
        return {}
    rows: Any = CountScan.objects.filter(instrument__in=units, undone_at=None).exclude(count=count)
    newest = rows.order_by("instrument", "-scanned_at").distinct("instrument").select_related("scanned_by", "count__location")
    return {row.instrument_id: row for row in newest}


def list_settlements(count: StockCount) -> Any:
    """Return what was settled in a count, newest first."""
    rows = CountSettlement.objects.filter(count=count)
    return rows.select_related("instrument__item__kind", "scan__scanned_by", "settled_by", "custody__location").order_by("-pk")


def list_export(compared: Reconciled) -> Iterator[list[Any]]:
    """Yield a line for everything in a count: settled, waiting, explained, and found as the books say."""
    settled: set[int | None] = set()
    for each in list_settlements(compared.count):
        settled.add(each.scan_id)
        unit, scan = each.instrument, each.scan
        yield [
            *_what(unit, scan.code if scan else ""),
            each.get_difference_display(),
            *_scanned(scan),
            each.get_how_display(),
            each.reason,
            each.settled_by.name,
        ]
    told: set[int | None] = set()
    for line in list_lines(compared.count, [*compared.open_differences, *compared.explained]):
        told.add(line.finding.scan_id)
        yield [*_what(line.unit, line.finding.code), line.words, *_scanned(line.scan), "", "", ""]
    named = [scan for scan in settled | told if scan]
    rest = list_scans(compared.count).exclude(pk__in=named)
    for scan in rest.order_by("pk"):
        yield [*_what(scan.instrument, scan.code), "Found", *_scanned(scan), "", "", ""]


def _what(unit: Instrument | None, code: str) -> list[str]:
    if unit is None:
        return [code, "", "", ""]
    return [unit.asset_tag, unit.serial_number, unit.item.kind.name, str(unit.item)]


def _scanned(scan: CountScan | None) -> list[Any]:
    return [scan.scanned_at.isoformat(timespec="seconds"), scan.scanned_by.name] if scan else ["", ""]

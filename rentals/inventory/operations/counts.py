"""Stock counts: opened, scanned into by several people at once, and closed. Settling stands in `settling`.

Locks: the count first, then instruments; nothing else ever waits for a count while it holds an instrument.
"""

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import IntegrityError, OperationalError, transaction

from rentals.inventory import scan_rules
from rentals.inventory.count_rules import Told, Verdict, judge_scan
from rentals.inventory.models import CountScan, CountSettlement, Custody, Difference, Instrument, Location, StockCount
from rentals.inventory.operations.count_errors import (
    CountAlreadyOpenError,
    CountClosedError,
    CountScanSettledError,
    DifferencesLeftError,
)
from rentals.inventory.queries.counts import Reconciled, get_open_count, reconcile
from rentals.inventory.queries.scans import match_codes
from rentals.runtime import locks
from rentals.runtime.templatetags.office import moment
from rentals.staff import operations as requests
from rentals.staff.models import User

BATCH = 1000
SAME_SCAN = datetime.timedelta(seconds=3)
"""One label read twice within this time on one device is one scan."""


@dataclass(frozen=True)
class ScanSent:
    """A scan as a device sends it: the id it made, the code as read, how many seconds ago that was, and the device's name."""

    client_id: UUID
    code: str
    seconds_ago: float = 0
    device: str = ""


@transaction.atomic
def open_count(
    *,
    location: Location,
    acting_user: User,
    now: datetime.datetime,
    request_key: UUID,
    kinds: Sequence[str] = (),
    note: str = "",
) -> StockCount:
    """Open a count of a shop, of the kinds given by code, or of all. Raises CountAlreadyOpenError, RequestKeyReusedError."""
    asked = {"location": location.pk, "kinds": sorted(kinds), "note": note}
    answer = requests.claim_request(key=request_key, purpose="open_count", request=asked, acting_user=acting_user)
    if answer:
        return StockCount.objects.get(pk=answer["count"])
    try:
        with transaction.atomic():
            made = StockCount.objects.create(
                location=location, kinds=sorted(kinds), note=note, opened_at=now, opened_by=acting_user
            )
    except IntegrityError as error:
        earlier = get_open_count(location.pk)
        raise (CountAlreadyOpenError(earlier) if earlier else error) from error
    requests.keep_answer(key=request_key, answer={"count": made.pk})
    return made


def lock_open(count: StockCount, *, strength: str = "update") -> StockCount:
    """Lock a count that is open and return it. Raises CountClosedError, RowsBusyError."""
    current: StockCount = locks.lock_one(StockCount.objects.filter(pk=count.pk), strength=strength)
    if not current.is_open:
        raise CountClosedError(current)
    return current


@transaction.atomic
def take_scans(*, count: StockCount, scans: Sequence[ScanSent], acting_user: User, now: datetime.datetime) -> list[Told]:
    """Take scans into an open count and tell a verdict for each, in their order; those sent again are told the same as before.

    A handful of statements, however many scans there are. Raises CountClosedError and RowsBusyError.
    """
    current = lock_open(count, strength="no_key")
    taking = _Taking(current, scans, acting_user, now)
    told = [taking.take(scan) for scan in scans]
    try:
        CountScan.objects.bulk_create(taking.made, batch_size=BATCH)
    except OperationalError as error:
        if getattr(error.__cause__, "sqlstate", None) != "55P03":
            raise
        message = "Somebody is moving one of these instruments right now. Wait a moment and send the scans again."
        raise locks.RowsBusyError(message) from error
    return told


class _Taking:
    """What must be known to judge a batch of scans, read once; `made` are the rows to write."""

    def __init__(self, count: StockCount, scans: Sequence[ScanSent], acting_user: User, now: datetime.datetime) -> None:
        self.count, self.acting_user, self.now = count, acting_user, now
        self.codes = {scan.client_id: scan_rules.read_code(scan.code) for scan in scans}
        meant = match_codes(set(self.codes.values()))
        self.meant = meant
        ids = {pk for units in meant.values() if len(units) == 1 for pk in units}
        self.units = {unit.pk: unit for unit in Instrument.objects.filter(pk__in=ids).select_related("item__kind")}
        self.chains = _chains(ids, since=count.opened_at)
        rows = CountScan.objects.select_related("scanned_by", "instrument__item__kind")
        self.sent_before = {row.client_id: row for row in rows.filter(client_id__in=list(self.codes))}
        standing = rows.filter(count=count, undone_at=None)
        self.by_unit = {row.instrument_id: row for row in standing.filter(instrument__in=ids)}
        strange = set(self.codes.values())
        self.by_code = {row.code: row for row in standing.filter(instrument=None, code__in=strange)}
        self.made: list[CountScan] = []

    def take(self, scan: ScanSent) -> Told:
        """Judge one scan, and keep it unless it was kept before."""
        code = self.codes[scan.client_id]
        again = self.sent_before.get(scan.client_id)
        if again:
            verdict = Verdict.UNDONE if again.undone_at else Verdict(again.told)
            return Told(scan.client_id, verdict, _name(again.instrument, code), _item(again.instrument))
        units = self.meant.get(code, [])
        unit = self.units[units[0]] if len(units) == 1 else None
        at = max(self.count.opened_at, self.now - datetime.timedelta(seconds=max(0.0, scan.seconds_ago)))
        earlier = self.by_unit.get(unit.pk) if unit else self.by_code.get(code)
        if earlier:
            return self._tell_again(scan, earlier, at, code)
        if not code:
            return Told(scan.client_id, Verdict.UNKNOWN, code)
        verdict, more = self._judge(unit, at) if unit else (Verdict.UNCLEAR if units else Verdict.UNKNOWN, "")
        self._keep(scan, code, unit, verdict, at)
        return Told(scan.client_id, verdict, _name(unit, code), _item(unit), more)

    def _tell_again(self, scan: ScanSent, earlier: CountScan, at: datetime.datetime, code: str) -> Told:
        name, item = _name(earlier.instrument, code), _item(earlier.instrument)
        if earlier.device == scan.device and abs(at - earlier.scanned_at) < SAME_SCAN:
            return Told(scan.client_id, Verdict(earlier.told), name, item)
        more = f"By {earlier.scanned_by.name}, {moment(earlier.scanned_at)}."
        return Told(scan.client_id, Verdict.ALREADY, name, item, more)

    def _judge(self, unit: Instrument, at: datetime.datetime) -> tuple[Verdict, str]:
        chain = self.chains.get(unit.pk, [])
        then = next((c for c in chain if c.began_at <= at and (c.ended_at is None or c.ended_at > at)), None)
        here = bool(then and then.location_id == self.count.location_id)
        counted = not self.count.kinds or unit.item.kind_id in self.count.kinds
        verdict = judge_scan(place=str(then.place) if then else "", is_this_shop=here, is_counted_kind=counted)
        return verdict, f"It is kept at {then.location}." if then and verdict is Verdict.ELSEWHERE else ""

    def _keep(self, scan: ScanSent, code: str, unit: Instrument | None, verdict: Verdict, at: datetime.datetime) -> None:
        row = CountScan(
            client_id=scan.client_id,
            count=self.count,
            code=code,
            instrument=unit,
            told=verdict.value,
            device=scan.device[:40],
            scanned_at=at,
            received_at=self.now,
            scanned_by=self.acting_user,
        )
        self.made.append(row)
        self.sent_before[scan.client_id] = row
        if unit:
            self.by_unit[unit.pk] = row
        else:
            self.by_code[code] = row


def _chains(units: Collection[int], *, since: datetime.datetime) -> dict[int, list[Custody]]:
    rows: Any = Custody.objects.filter(instrument__in=units).exclude(ended_at__lte=since).select_related("location")
    chains: dict[int, list[Custody]] = {}
    for row in rows:
        chains.setdefault(row.instrument_id, []).append(row)
    return chains


def _name(unit: Instrument | None, code: str) -> str:
    return unit.asset_tag if unit else code


def _item(unit: Instrument | None) -> str:
    return f"{unit.item.kind}, {unit.item}" if unit else ""


@transaction.atomic
def undo_scan(*, count: StockCount, client_id: UUID, acting_user: User, now: datetime.datetime) -> CountScan:
    """Take back a scan of an open count; one that is taken back already stays so.

    Raises CountClosedError, CountScanSettledError.
    """
    current = lock_open(count, strength="no_key")
    scan = CountScan.objects.select_related("instrument").get(count=current, client_id=client_id)
    if scan.undone_at:
        return scan
    if CountSettlement.objects.filter(scan=scan).exists():
        raise CountScanSettledError(_name(scan.instrument, scan.code))
    scan.undone_at, scan.undone_by = now, acting_user
    scan.save(update_fields=["undone_at", "undone_by"])
    return scan


@transaction.atomic
def close_count(*, count: StockCount, acting_user: User, now: datetime.datetime, leave_rest: str = "") -> StockCount:
    """Close a count for good. Differences that wait are left as they are if `leave_rest` says why.

    Raises CountClosedError, DifferencesLeftError.
    """
    current = lock_open(count)
    compared = reconcile(current, now)
    _note_received(compared, acting_user, now)
    waiting = compared.open_differences
    if waiting and not leave_rest:
        raise DifferencesLeftError(len(waiting))
    unit_ids = [each.instrument_id for each in waiting if each.instrument_id]
    stood = dict(Custody.objects.filter(instrument__in=unit_ids, ended_at=None).values_list("instrument_id", "pk"))
    CountSettlement.objects.bulk_create(
        [
            CountSettlement(
                count=current,
                scan_id=each.scan_id,
                instrument_id=each.instrument_id,
                difference=each.difference,
                how=CountSettlement.How.LEFT,
                reason=leave_rest[:160],
                stood_in_id=stood.get(each.instrument_id or 0),
                settled_at=now,
                settled_by=acting_user,
            )
            for each in waiting
        ],
        batch_size=BATCH,
    )
    return _end(current, compared, StockCount.Outcome.SETTLED, words=leave_rest, acting_user=acting_user, now=now)


def _note_received(compared: Reconciled, acting_user: User, now: datetime.datetime) -> None:
    """Note which instrument an unknown code turned out to be, now that it has been taken into the fleet."""
    received = [each for each in compared.explained if each.code and each.instrument_id]
    CountSettlement.objects.bulk_create(
        CountSettlement(
            count=compared.count,
            scan_id=each.scan_id,
            instrument_id=each.instrument_id,
            difference=Difference.UNKNOWN,
            how=CountSettlement.How.RECEIVED,
            reason="Taken into the fleet during the count",
            settled_at=now,
            settled_by=acting_user,
        )
        for each in received
    )


@transaction.atomic
def call_off_count(*, count: StockCount, reason: str, acting_user: User, now: datetime.datetime) -> StockCount:
    """End a count without a result: a forgotten or mistaken one. What was settled stays; nothing else is concluded from it.

    Raises CountClosedError.
    """
    current = lock_open(count)
    return _end(current, reconcile(current, now), StockCount.Outcome.CALLED_OFF, words=reason, acting_user=acting_user, now=now)


def _end(
    count: StockCount, compared: Reconciled, outcome: str, *, words: str, acting_user: User, now: datetime.datetime
) -> StockCount:
    count.closed_at, count.closed_by, count.outcome, count.closing_words = now, acting_user, outcome, words[:160]
    count.expected, count.found = compared.expected, compared.found
    count.missing = len(compared.missing) + compared.settled_missing
    count.unexpected = len(compared.unexpected) + compared.settled_unexpected
    count.save(update_fields=["closed_at", "closed_by", "outcome", "closing_words", "expected", "found", "missing", "unexpected"])
    return count

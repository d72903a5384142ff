"""Counts for tests: opened at a known moment, and scanned into by one line."""

import datetime
from uuid import UUID, uuid4

from rentals.inventory.count_rules import Told
from rentals.inventory.models import StockCount
from rentals.inventory.operations import counts
from rentals.inventory.operations.counts import ScanSent
from tests.factories import TechnicianFactory
from tests.inventory.factories import LocationFactory

OPENED = datetime.datetime(2026, 11, 24, 15, 0, tzinfo=datetime.UTC)


def minutes(number: float) -> datetime.datetime:
    """So many minutes after the opening."""
    return OPENED + datetime.timedelta(minutes=number)


def opened(location: str = "main", kinds: tuple[str, ...] = (), user=None) -> StockCount:
    """An open count of a shop."""
    return counts.open_count(
        location=LocationFactory(code=location),
        kinds=kinds,
        acting_user=user or TechnicianFactory(),
        now=OPENED,
        request_key=uuid4(),
    )


def scan(count: StockCount, *codes: str, at: float = 1, user=None, device: str = "", ids: list[UUID] | None = None) -> list[Told]:
    """Scan codes into a count `at` minutes after its opening; the verdicts."""
    names = ids or [uuid4() for _ in codes]
    sent = [ScanSent(client_id, code, 0, device) for client_id, code in zip(names, codes, strict=True)]
    return counts.take_scans(count=count, scans=sent, acting_user=user or TechnicianFactory(), now=minutes(at))


def words(told: list[Told]) -> list[str]:
    """The verdicts alone."""
    return [each.verdict.value for each in told]

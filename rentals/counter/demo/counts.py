"""The demo's stock counts: one closed a month ago that missed an instrument, one open since this morning with a few surprises."""

import datetime
import uuid
from collections.abc import Sequence

from rentals.counter.demo.shop import Shop
from rentals.inventory.models import Custody, Location, StockCount
from rentals.inventory.operations import counts
from rentals.inventory.operations.counts import ScanSent
from rentals.staff.models import Role, User

NAMES = uuid.UUID("6f2b6a1e-9f0d-4a55-9a3f-0b6f1f2d7c11")


def count_stock(shop: Shop, *, now: datetime.datetime) -> None:
    """Count the first shop a month ago, and begin to count it again today."""
    location = Location.objects.order_by("pk").first()
    if location is not None:
        _last_month(shop, location, now - datetime.timedelta(days=33))
        _this_morning(shop, location, now - datetime.timedelta(hours=2))


def _standing(location: Location, at: datetime.datetime) -> list[Custody]:
    rows = Custody.objects.filter(location=location, began_at__lte=at).exclude(ended_at__lte=at)
    return list(rows.select_related("instrument").order_by("instrument__asset_tag"))


def _last_month(shop: Shop, location: Location, at: datetime.datetime) -> None:
    theo = shop.people[Role.TECHNICIAN.value]
    count = _open(location, at, "After the summer", theo)
    here = _standing(location, at)
    unseen = next((row.pk for row in reversed(here) if row.ended_at is None), None)
    _scan(count, [row.instrument.asset_tag for row in here if row.pk != unseen], at + datetime.timedelta(minutes=40), theo)
    words = "Looked in every room; ask again at the next count"
    mina = shop.people[Role.MANAGER.value]
    counts.close_count(count=count, leave_rest=words, acting_user=mina, now=at + datetime.timedelta(hours=2))


def _this_morning(shop: Shop, location: Location, at: datetime.datetime) -> None:
    rosa = shop.people[Role.SPECIALIST.value]
    count = _open(location, at, "Before the spring sign-ups", rosa)
    here = [row.instrument.asset_tag for row in _standing(location, at)]
    away = Custody.objects.filter(place__in=["family", "sold", "lost"], ended_at=None, began_at__lte=at)
    strange = [row.instrument.asset_tag for row in away.order_by("place", "pk").distinct("place").select_related("instrument")]
    _scan(count, [*here[: len(here) * 2 // 3], *strange, "OLD-0077"], at + datetime.timedelta(minutes=50), rosa)


def _open(location: Location, at: datetime.datetime, note: str, user: User) -> StockCount:
    key = uuid.uuid5(NAMES, note)
    return counts.open_count(location=location, note=note, acting_user=user, now=at, request_key=key)


def _scan(count: StockCount, tags: Sequence[str], at: datetime.datetime, user: User) -> None:
    scans = [ScanSent(uuid.uuid5(NAMES, f"{count.pk} {tag}"), tag, 2.0 * place, "shelf") for place, tag in enumerate(tags)]
    counts.take_scans(count=count, scans=scans, acting_user=user, now=at)

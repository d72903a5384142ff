"""A great fleet with its whole history in a scratch database, and how fast it is scanned, counted and added up."""

import datetime
import statistics
import time
from collections.abc import Callable
from functools import partial
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse

from billing.earning import use
from rentals.counter import bench_data
from rentals.inventory.models import CatalogueItem, Custody, Instrument, InstrumentKind, Location
from rentals.inventory.operations import counts
from rentals.inventory.queries.counts import reconcile
from rentals.runtime import clock
from rentals.runtime.benches import Report, Run, in_ms, percentile, timed
from rentals.runtime.money import money
from rentals.staff.models import Role, User

INSTRUMENTS = 200_000
MOVES = 15
"""Moves of every instrument: three million in all."""
HOUSEHOLDS = 60_000
COUNTED = 5_000
SCANS = 300
KINDS = ("flute", "clarinet", "alto-saxophone", "trumpet", "trombone", "violin", "viola", "cello")
FILLED = """
INSERT INTO inventory_instrument (asset_tag, serial_number, item_id, grade, cost, cost_currency, acquired_on, notes, version)
SELECT 'F-' || lpad(n::text, 6, '0'), n::text, (%(items)s::bigint[])[1 + n %% cardinality(%(items)s::bigint[])],
       (ARRAY['new', 'good', 'good', 'worn', 'good', 'poor'])[1 + n %% 6], 300 + n %% 400, 'USD',
       %(today)s::date - 1300 - (n %% 900)::int, '', 1
  FROM generate_series(1, %(count)s) AS n ORDER BY n
"""
# Out and back again for four years, now and then by way of the bench; the last move stands. Whoever has an agreement has it now.
MOVED = """
INSERT INTO inventory_custody (instrument_id, place, location_id, household_id, began_at, ended_at, reason, moved_by_id)
SELECT i.id, m.place, CASE WHEN m.place IN ('shelf', 'bench') THEN CASE WHEN i.id > %(tail)s THEN 'counted' ELSE 'north' END END,
       CASE WHEN m.place = 'family' THEN 1 + (i.id * 31 + k * 17) %% %(households)s END,
       m.began_at, CASE WHEN k < %(moves)s - 1 THEN m.next_at END, 'Moved', %(user)s
  FROM inventory_instrument i CROSS JOIN generate_series(0, %(moves)s - 1) AS k
 CROSS JOIN LATERAL (SELECT
       CASE WHEN k = %(moves)s - 1 AND i.id <= %(households)s THEN 'family' WHEN k = %(moves)s - 1 THEN 'shelf'
            WHEN k %% 7 = 5 THEN 'bench' WHEN (k + i.id) %% 2 = 0 THEN 'family' ELSE 'shelf' END AS place,
       %(first)s::timestamptz + k * interval '84 days' + ((i.id * 7 + k * 13) %% 960) * interval '1 hour' AS began_at,
       %(first)s::timestamptz + (k + 1) * interval '84 days' + ((i.id * 7 + (k + 1) * 13) %% 960) * interval '1 hour' AS next_at
 ) AS m
"""


def fill(run: Run) -> None:
    """Make the families, the fleet with its moves, and agreements billed for half a year."""
    bench_data.fill_families(run, people=int(run.count(HOUSEHOLDS) * 2.5), names=max(200, run.count(HOUSEHOLDS) // 5))
    count = run.count(INSTRUMENTS)
    run.tell(f"{count} instruments")
    user = User.objects.create_user(email="filler@rentals.example", name="Filler", role=Role.ADMINISTRATOR)
    for code in ("north", "counted"):
        Location.objects.create(code=code, name=code.title(), street="1 Main", city="Springdale", state="IL", postal_code="62704")
    told: dict[str, Any] = {
        "items": [_item(place, code).pk for place, code in enumerate(KINDS)],
        "today": clock.today(),
        "count": count,
        "moves": MOVES,
        "households": run.count(HOUSEHOLDS),
        "tail": count - run.count(COUNTED),
        "first": clock.now() - datetime.timedelta(days=84 * MOVES + 45),
        "user": user.pk,
    }
    with bench_data.filling() as cursor:
        cursor.execute(FILLED, told)
    run.tell(f"{count * MOVES} moves")
    _move(told)
    bench_data.fill_accounts(run)


def _item(place: int, code: str) -> CatalogueItem:
    """The first is the one that agreements are signed for."""
    return CatalogueItem.objects.create(
        kind=InstrumentKind.objects.get(code=code),
        maker="Sample Works" if place == 0 else "Bench Works",
        model=f"M{place}",
        purchase_price=money(1080),
        replacement_value=money(1080),
    )


# Rules between rows and tables, and indexes that hold up no rule: what costs most row by row, and little all at once.
RULES = """
SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint
 WHERE conrelid = 'inventory_custody'::regclass AND contype IN ('f', 'x') ORDER BY contype DESC, conname
"""
INDEXES = """
SELECT i.indexrelid::regclass::text, pg_get_indexdef(i.indexrelid) FROM pg_index i
 WHERE i.indrelid = 'inventory_custody'::regclass AND NOT EXISTS (SELECT FROM pg_constraint c WHERE c.conindid = i.indexrelid)
"""


def _move(told: dict[str, Any]) -> None:
    """Write the moves. Rules and indexes are taken off and put back, which checks every row and every pair of them."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL maintenance_work_mem = '256MB'")
        cursor.execute(INDEXES)
        indexes = cursor.fetchall()
        cursor.execute(RULES)
        rules = cursor.fetchall()
        for name, _ in rules:
            cursor.execute(f"ALTER TABLE inventory_custody DROP CONSTRAINT {name}")
        for name, _ in indexes:
            cursor.execute(f"DROP INDEX {name}")
        cursor.execute(MOVED, told)
        for _, made in indexes:
            cursor.execute(made)
        for name, rule in rules:
            cursor.execute(f"ALTER TABLE inventory_custody ADD CONSTRAINT {name} {rule}")
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE inventory_custody")


def measure(run: Run, signed_in: Callable[[Role], Client]) -> Report:
    """Measure scan to screen, a stock count, and utilisation by kind over three years; then the screens of the fleet."""
    fill(run)
    run.tell("utilisation")
    ours, floors = _utilisation()
    run.tell("scans")
    scans, bare = _scan(run, signed_in(Role.TECHNICIAN))
    run.tell("a stock count")
    taking, reconciling = _count(run)
    run.tell("screens")
    screens = _screens(run, signed_in)
    return {
        "size": {"instruments": Instrument.objects.count(), "moves": Custody.objects.count(), "scans": run.count(COUNTED)},
        "seconds": round(statistics.median(ours), 4),
        "floor_seconds": round(statistics.median(floors), 4),
        "utilisation_seconds": round(statistics.median(ours), 4),
        "scan_ms": in_ms(scans),
        "scan_p95_ms": round(percentile(scans, 95) * 1000, 1),
        "scan_floor_ms": in_ms(bare),
        "scan_to_floor": round(percentile(scans, 50) / percentile(bare, 50), 2),
        "count_seconds": round(taking + reconciling, 3),
        "count_reconcile_seconds": round(reconciling, 3),
        "slowest_screen_ms": max(screen["ms"] for screen in screens.values()),
        "most_queries": max(screen["queries"] for screen in screens.values()),
        "screens": screens,
    }


def _utilisation() -> tuple[list[float], list[float]]:
    """Add the use of three years up, in turn with one bare pass over the same moves."""
    after = clock.today() + datetime.timedelta(days=1)

    def floor() -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*), max(ended_at - began_at) FROM inventory_custody")
            cursor.fetchone()

    pairs = [(timed(lambda: use.list_by_month(after, clock.now())), timed(floor)) for _ in range(4)][1:]
    return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


def _scan(run: Run, client: Client) -> tuple[list[float], list[float]]:
    """Scan tags as the technician does, the door and the screen it leads to; each in turn with two views that do nothing."""
    settings.ROOT_URLCONF = "rentals.counter.benches"
    count = run.count(INSTRUMENTS)
    tags = [f"F-{1 + run.chance.randrange(count):06d}" for _ in range(SCANS + 10)]

    def scan(tag: str) -> None:
        answer = client.get(reverse("scan"), {"code": tag}, follow=True)
        if answer.status_code != 200 or tag not in answer.content.decode():
            message = f"the scan of {tag} answered {answer.status_code}"
            raise RuntimeError(message)

    def bare() -> None:
        client.get(reverse("bare"))
        client.get(reverse("bare"))

    pairs = [(timed(partial(scan, tag)), timed(bare)) for tag in tags][10:]
    return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


def _count(run: Run) -> tuple[float, float]:
    """Count a shop: one in a hundred is not scanned, as many stand elsewhere by the books; scans come in batches of fifty.

    Return the seconds of taking the scans, spread over an evening, and of reconciling and closing, which people wait for.
    """
    user, shop = User.objects.get(email="filler@rentals.example"), Location.objects.get(code="counted")
    count = counts.open_count(location=shop, acting_user=user, now=clock.now(), request_key=uuid4())
    here = list(Custody.objects.filter(location=shop, ended_at=None).values_list("instrument__asset_tag", flat=True))
    missing = max(1, len(here) // 100)
    strays = Custody.objects.filter(location="north", ended_at=None).values_list("instrument__asset_tag", flat=True)
    codes = [*here[missing:], *strays[:missing]]
    began = time.perf_counter()
    for place in range(0, len(codes), 50):
        sent = [counts.ScanSent(uuid4(), code) for code in codes[place : place + 50]]
        counts.take_scans(count=count, scans=sent, acting_user=user, now=clock.now())
    taken = time.perf_counter()
    found = reconcile(count, clock.now())
    if len(found.open_differences) != 2 * missing:
        message = f"{len(found.open_differences)} differences instead of {2 * missing}"
        raise RuntimeError(message)
    counts.close_count(count=count, acting_user=user, now=clock.now(), leave_rest="Bench")
    return taken - began, time.perf_counter() - taken


MANAGERS = ("fleet_figures", "fleet_figures_items", "fleet_figures_instruments", "fleet_idle", "fleet_advice")
TECHNICIANS = ("instruments", "bench_queue", "cleanings")


def _screens(run: Run, signed_in: Callable[[Role], Client]) -> dict[str, dict[str, Any]]:
    """Open each screen of the fleet three times: its queries, and the median of the last two."""
    manager, technician = signed_in(Role.MANAGER), signed_in(Role.TECHNICIAN)
    one = [run.count(INSTRUMENTS) // 2]
    addresses = {name: (technician, reverse(name)) for name in TECHNICIANS}
    addresses |= {"instruments_of_kind": (technician, reverse("instruments") + "?kind=cello&sort=-since")}
    addresses |= {name: (technician, reverse(name, args=one)) for name in ("instrument",)}
    addresses |= {name: (manager, reverse(name)) for name in MANAGERS}
    addresses |= {name: (manager, reverse(name, args=one)) for name in ("instrument_figures", "instrument_advice")}
    before, settings.DEMO = settings.DEMO, True  # nobody here has a second factor to show
    try:
        return {name: _open(client, address) for name, (client, address) in addresses.items()}
    finally:
        settings.DEMO = before


def _open(client: Client, address: str) -> dict[str, Any]:
    seen: list[str] = []

    def count(execute: Callable[..., Any], sql: str, *rest: Any) -> Any:
        seen.append(sql)
        return execute(sql, *rest)

    with connection.execute_wrapper(count):
        answer = client.get(address)
    if answer.status_code != 200:
        message = f"{address} answered {answer.status_code}"
        raise RuntimeError(message)
    times = [timed(lambda: client.get(address)) for _ in range(2)]
    return {"queries": len(seen), "ms": round(statistics.median(times) * 1000)}

"""Benches of the monthly run and of the books, over invented agreements in a scratch database."""

import datetime
import os
import resource
import statistics
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from django.db import connection, connections

from billing import aging, bench_ach, bench_books, bench_data, bench_floor, bench_letters, bench_matching, queries, reports, runs
from billing.models import BillingRun, Charge
from rentals.runtime import clock
from rentals.runtime.benches import Report, Run, bench, timed
from rentals.runtime.money import tax_on

__all__ = ["bench_ach", "bench_letters", "bench_matching"]  # have benches of their own

SIZES = (10_000, 100_000, 300_000)
ROUNDS = 3
TOGETHER = 2
STARTS, THROUGH = "2026-03-01", "2026-03-29"

TAXED = """
SELECT l.amount, t.tax_rate, t.amount FROM billing_chargeline l
  JOIN billing_chargeline t ON t.charge_id = l.charge_id AND t.position = l.position + 1 AND t.is_tax
"""
DOUBLED = """
SELECT count(*) FROM (SELECT FROM billing_charge WHERE kind = 'rent' AND void_entry_id IS NULL
                       GROUP BY agreement_id, period HAVING count(*) > 1) twice
"""


@bench("billing")
def billing(run: Run) -> Report:
    """Bill a month of agreements by the office's own run, against ready rows without keys and checks, and other ways."""
    keys = bench_data.prepare()
    sizes = [run.count(size) for size in SIZES]
    seconds: dict[int, float] = {}
    memory: dict[int, float] = {}
    middle: Report = {}
    last = 0
    for size in sizes:
        run.tell(f"{size} agreements")
        bench_data.fill(keys, first=last + 1, last=size, starts=STARTS)
        last = size
        took = [_fresh(lambda: _bill(keys["user"])) for _ in range(1 if size == sizes[2] else ROUNDS)]
        seconds[size] = statistics.median(took)
        memory[size] = _peak_mb()
        if size == sizes[1]:
            middle = _compare(run, keys["user"], size)
            seconds[size] = middle["seconds"]
    by_objects, by_run = _by_objects(run, keys["user"], ready=sizes[1], size=sizes[2])
    return {
        "size": {"agreements": sizes[1], "rows": sizes[1] * 10},
        **middle,
        "orm_ratio": round(by_objects / by_run, 2),
        "orm_seconds": round(by_objects * sizes[1], 3),
        "seconds_by_size": {str(size): round(took, 3) for size, took in seconds.items()},
        "microseconds_an_agreement": {str(size): round(took / size * 1e6, 1) for size, took in seconds.items()},
        "peak_mb": max(memory.values()),
        "peak_mb_by_size": {str(size): peak for size, peak in memory.items()},
        "load": [round(each, 2) for each in os.getloadavg()],
    }


def _compare(run: Run, user_id: int, size: int) -> Report:
    """Measure the run and everything it is compared with in turn, so that all meet the same machine; medians."""
    run.tell("in turn with the floors")
    took: dict[str, list[float]] = {"ours": [], "again": [], "two": [], "floor": [], "keys": []}
    found: Report = {}
    for turn in range(ROUNDS):
        took["two"].append(_fresh(lambda: _bill(user_id, workers=TOGETHER)))
        doubled = _number(DOUBLED)
        took["ours"].append(_fresh(lambda: _bill(user_id)))
        took["again"].append(timed(lambda: _bill(user_id)))
        if turn == 0:
            found = {"rounding_mismatches": _mismatches(), "missed": size - Charge.objects.count()}
            bench_floor.keep_rows()
        found["doubled"] = found.get("doubled", 0) + doubled + _number(DOUBLED)
        for name in ("floor", "keys"):
            bench_floor.empty_tables(with_keys=name == "keys")
            took[name].append(timed(bench_floor.insert_rows))
        bench_floor.clear_floor()
    median = {name: statistics.median(each) for name, each in took.items()}
    return {
        "seconds": round(median["ours"], 3),
        "floor_seconds": round(median["floor"], 3),
        "floor_with_keys_seconds": round(median["keys"], 3),
        "ratio_same_constraints": round(median["ours"] / median["keys"], 3),
        "two_workers_gain": round(median["ours"] / median["two"], 2),
        "repeat_share": round(median["again"] / median["ours"], 4),
        **found,
    }


def _fresh(act: Callable[[], Any]) -> float:
    bench_data.empty_books()
    bench_data.settle()
    return timed(act)


def _bill(user_id: int, workers: int = 1) -> None:
    """Run the month as the office does, with one worker or with some."""
    due = BillingRun.objects.create(through_on=THROUGH, asked_at=clock.now(), asked_by_id=user_id)
    if workers == 1:
        runs.continue_run(due.pk, now=clock.now())
        return

    def work(_: int) -> None:
        try:
            runs.continue_run(due.pk, now=clock.now())
        finally:
            connections.close_all()

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, range(workers)))


def _by_objects(run: Run, user_id: int, *, ready: int, size: int) -> tuple[float, float]:
    """Save a fifth of the ready rows as objects and bill all agreements, in turn; return the seconds each takes an agreement.

    Last of all, because the objects would count as the run's memory.
    """
    run.tell("in turn with rows as objects")
    part = max(20, ready // 5)
    objects = bench_floor.ByObjects(part)
    took: list[tuple[float, float]] = []
    for _ in range(ROUNDS):
        took.append((_fresh(lambda: objects.save(runs.CHUNK)) / part, _fresh(lambda: _bill(user_id)) / size))
    by_objects, by_run = zip(*took, strict=True)
    return statistics.median(by_objects), statistics.median(by_run)


def _mismatches() -> int:
    """Count the tax lines that Python would have rounded otherwise."""
    with connection.cursor() as cursor:
        cursor.execute(TAXED)
        return sum(tax_on(net, rate) != tax for net, rate, tax in cursor)


def _number(statement: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        return int(cursor.fetchone()[0])


def _peak_mb() -> float:
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)


SCAN = """
SELECT p.account_id, sum(p.amount) FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
 WHERE e.entry_on <= %(on)s GROUP BY p.account_id ORDER BY p.account_id
"""
OPEN_ITEMS = """
CREATE TABLE bench_open AS
SELECT c.household_id, c.due_on, sum(l.amount - coalesce(a.paid, 0)) AS open
  FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
  LEFT JOIN (SELECT line_id, sum(amount) AS paid FROM billing_allocation WHERE released_at IS NULL GROUP BY line_id) a
    ON a.line_id = l.id
 WHERE c.void_entry_id IS NULL GROUP BY c.id HAVING sum(l.amount - coalesce(a.paid, 0)) > 0;
ANALYZE bench_open;
"""
GROUPED = """
SELECT household_id, min(due_on), sum(open), sum(open) FILTER (WHERE due_on >= %(on)s - 30),
       sum(open) FILTER (WHERE due_on < %(on)s - 30 AND due_on >= %(on)s - 60),
       sum(open) FILTER (WHERE due_on < %(on)s - 60 AND due_on >= %(on)s - 90), sum(open) FILTER (WHERE due_on < %(on)s - 90)
  FROM bench_open WHERE due_on < %(on)s GROUP BY household_id
"""
BOOKS_START = "2026-01-01"
MONTH_END, ANY_DAY = datetime.date(2026, 4, 30), datetime.date(2026, 5, 15)


@bench("books")
def books(run: Run) -> Report:
    """Read five months of books as the office's screens do, against plain scans of all that was posted."""
    size = run.count(100_000)
    run.tell(f"{size} households, five months of bills and payments")
    keys = bench_data.prepare()
    bench_data.fill(keys, first=1, last=size, starts=BOOKS_START)
    bench_books.fill(keys, size=size, starts=BOOKS_START)
    with connection.cursor() as cursor:
        cursor.execute(OPEN_ITEMS)
    run.tell("reading")
    households = [run.chance.randrange(size) + 1 for _ in range(100)]
    trip, balance, lines = [
        _typical([partial(read, key) for key in households]) for read in (_trip, queries.sum_balance, _fifty_lines)
    ]
    debtors = _typical([lambda: aging.list_largest_debtors(50)] * 9)
    scan, month_end, any_day, grouped, late = _in_turn(
        lambda: _rows(SCAN, MONTH_END),
        lambda: reports.list_trial_balance(MONTH_END),
        lambda: reports.list_trial_balance(ANY_DAY),
        lambda: _rows(GROUPED, ANY_DAY),
        lambda: aging.list_overdue(ANY_DAY),
    )
    return {
        "size": {"households": size, "postings": _number("SELECT count(*) FROM billing_posting")},
        "seconds": round(late, 4),
        "floor_seconds": round(grouped, 4),
        "round_trip_ms": round(trip * 1000, 3),
        "balance_round_trips": round(balance / trip, 2),
        "lines_round_trips": round(lines / trip, 2),
        "debtors_round_trips": round(debtors / trip, 2),
        "aging_ratio": round(late / grouped, 3),
        "aging_ms": round(late * 1000, 1),
        "debtors_ms": round(debtors * 1000, 2),
        "trial_balance_scan_ms": round(scan * 1000, 1),
        "trial_balance_month_end_share": round(month_end / scan, 4),
        "trial_balance_any_day_share": round(any_day / scan, 4),
        "equal_to_the_cent": _reads_are_equal(households),
        "load": [round(each, 2) for each in os.getloadavg()],
    }


def _reads_are_equal(households: list[int]) -> bool:
    """Say whether the quick reads give what the slow ones do."""
    balances = all(
        [(row.code, row.balance) for row in reports.list_trial_balance(day) if row.balance] == _rows(SCAN, day)
        for day in (MONTH_END, ANY_DAY, datetime.date(2026, 2, 28), datetime.date(2026, 3, 9))
    )
    late = {row.household_id: (row.since, row.amount) for row in aging.list_overdue(ANY_DAY)}
    same_late = late == {key: (since, amount) for key, since, amount, *_ in _rows(GROUPED, ANY_DAY)}
    moved = all(queries.sum_balance(key) == sum(line.amount for line in queries.list_movements(key)) for key in households)
    return balances and same_late and moved


def _fifty_lines(household_id: int) -> Any:
    return queries.list_movements(household_id, 50)


def _trip(_: int) -> Any:
    return _number("SELECT 1")


def _rows(statement: str, day: datetime.date) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement, {"on": day})
        return list(cursor.fetchall())


def _typical(acts: list[Callable[[], Any]]) -> float:
    for act in acts[:5]:
        act()
    return statistics.median(timed(act) for act in acts)


def _in_turn(*acts: Callable[[], Any]) -> list[float]:
    """Return the median duration of each of some acts, done in turn so that all meet the same machine."""
    rounds = [[timed(act) for act in acts] for _ in range(5)]
    return [statistics.median(each) for each in zip(*rounds, strict=True)]

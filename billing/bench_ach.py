"""The bench of autopay: a file of debits, written and checked, against a plain formatter; over families in a scratch database."""

import datetime
import statistics
import tracemalloc
from collections.abc import Iterable, Iterator

from django.db import connection
from django.utils import timezone

from billing import bench_data
from billing.autopay import filing, reader, writer
from billing.autopay.crypto import KeyRing, about_account, ring
from billing.autopay.writer import Batch, Debit, Origin
from billing.models import AutopayAuthorisation
from rentals.runtime import clock
from rentals.runtime.benches import Report, Run, bench, timed

SIZES = (10_000, 100_000)
ROUNDS = 5
ROUTING = ("056005075", "051402259", "114000653", "076401251", "121042882")
ORIGIN = Origin("056005075", "EXAMPLE BANK ONE", "1990000001", "EXAMPLE RENTAL OFFICE", "EXAMPLE RENTAL", "1990000001")
ACCOUNTS = "billing_autopayauthorisation"

READ = f"""
SELECT a.id, a.account_type, a.routing_number, a.account_sealed, a.account_name, h.number, 1500 + a.id %% 4500
  FROM {ACCOUNTS} a JOIN families_household h ON h.id = a.household_id WHERE a.id <= %s ORDER BY a.id
"""  # noqa: S608 - no part of it comes from outside


@bench("ach")
def ach(run: Run) -> Report:
    """Write and check a file of debits; the database's read and the opening of account numbers are told apart."""
    sizes = [run.count(size) for size in SIZES]
    keys = bench_data.prepare()
    run.tell(f"{sizes[-1]} families that authorised debits")
    bench_data.fill(keys, first=1, last=sizes[-1], starts="2026-03-01")
    _authorise(sizes[-1], keys["user"])
    rows = list(_read(sizes[-1]))
    debits = list(_opened(rows, ring()))
    run.tell("in turn with the plain formatter")
    took: dict[str, list[float]] = {"ours": [], "plain": [], "write": [], "read": [], "open": []}
    for _ in range(ROUNDS):
        took["plain"].append(timed(lambda: _plain(debits)))
        took["ours"].append(timed(lambda: _build(debits)))
        took["write"].append(timed(lambda: [None for _ in _pieces(debits)]))
        took["read"].append(timed(lambda: [None for _ in _read(sizes[-1])]))
        took["open"].append(timed(lambda: [None for _ in _opened(rows, ring())]))
    middle = {name: statistics.median(each) for name, each in took.items()}
    made = _build(debits)
    totals = made.totals or reader.Totals()
    run.tell("memory")
    return {
        "size": {"debits": len(debits)},
        "seconds": round(middle["ours"], 4),
        "floor_seconds": round(middle["plain"], 4),
        "write_seconds": round(middle["write"], 4),
        "check_seconds": round(middle["ours"] - middle["write"], 4),
        "database_read_seconds": round(middle["read"], 4),
        "open_seconds": round(middle["open"], 4),
        "same_bytes": _plain(debits) == b"".join(_parts(debits)),
        "cents_off": totals.debit_cents - sum(debit.cents for debit in debits),
        "working_mb_by_size": {str(size): _working_mb(debits[:size]) for size in sizes},
    }


def _authorise(last: int, user_id: int) -> None:
    """An authorisation for each family, its account number sealed by the newest key."""
    keys, now = ring(), clock.now()
    with bench_data.behind_the_triggers([ACCOUNTS]):
        for first in range(1, last + 1, 5_000):
            AutopayAuthorisation.objects.bulk_create(
                _authorisation(key, keys, user_id, now) for key in range(first, min(first + 5_000, last + 1))
            )
    bench_data.settle([ACCOUNTS])


def _authorisation(key: int, keys: KeyRing, user_id: int, now: datetime.datetime) -> AutopayAuthorisation:
    number = str(10**9 + key * 7)
    routing = ROUTING[key % len(ROUTING)]
    return AutopayAuthorisation(
        pk=key,
        household_id=key,
        guardian_id=key,
        account_name=f"ROBIN FAMILY {key}",
        account_type="checking" if key % 5 else "savings",
        routing_number=routing,
        last_four=number[-4:],
        account_sealed=keys.seal(number.encode(), about=about_account(key)),
        account_index=keys.index(routing, number),
        channel="in_person",
        wording="Words.",
        wording_version="bench",
        authorised_on=timezone.localdate(now),
        taken_at=now,
        taken_by_id=user_id,
    )


Row = tuple[int, str, str, bytes, str, str, int]


def _read(last: int) -> Iterator[Row]:
    with connection.cursor() as cursor:
        cursor.execute(READ, [last])
        while rows := cursor.fetchmany(2_000):
            yield from rows


def _opened(rows: Iterable[Row], keys: KeyRing) -> Iterator[Debit]:
    for key, kind, routing, sealed, name, number, cents in rows:
        account = keys.open(sealed, about=about_account(key)).decode()
        yield Debit("37" if kind == "savings" else "27", routing, account, cents, number, name, "", key)


MADE_AT = datetime.datetime(2026, 3, 10, 12, tzinfo=datetime.UTC)
BATCH = Batch("PPD", "RENTAL", datetime.date(2026, 3, 12))


def _pieces(debits: Iterable[Debit]) -> Iterator[str]:
    return writer.compose(origin=ORIGIN, made_at=MADE_AT, modifier="A", batches=[(BATCH, debits)])


def _parts(debits: Iterable[Debit]) -> Iterator[bytes]:
    return filing.check_while(_pieces(debits), filing.Made())


def _build(debits: Iterable[Debit]) -> filing.Made:
    """Write, read back, add up and hash, as the job of a run does before it seals each part."""
    made = filing.Made()
    for _ in filing.check_while(_pieces(debits), made):
        pass
    return made


def _plain(debits: list[Debit]) -> bytes:
    """The same file by the shortest way: format, add up, join; nothing is looked at."""
    lines, hashed, cents = (
        [f"101 056005075{'1990000001'}2603101200A094101{'EXAMPLE BANK ONE':<23}{'EXAMPLE RENTAL OFFICE':<31}"],
        0,
        0,
    )
    lines.append(f"5225{'EXAMPLE RENTAL':<36}1990000001PPDRENTAL    {'':6}260312   1056005070000001")
    for d in debits:
        hashed += int(d.routing[:8])
        cents += d.cents
        lines.append(
            f"6{d.code}{d.routing}{d.account:<17}{d.cents:010}{d.identification:<15}{d.name:<22}  005600507{d.sequence:07}"
        )
    counts = f"{len(debits):06}{hashed % 10**10:010}{cents:012}{0:012}"
    lines.append(f"8225{counts}1990000001{'':25}056005070000001")
    blocks = -(-(len(lines) + 1) // 10)
    lines.append(f"9000001{blocks:06}{len(debits):08}{hashed % 10**10:010}{cents:012}{0:012}{'':39}")
    lines += ["9" * 94] * (blocks * 10 - len(lines))
    return ("\n".join(lines) + "\n").encode()


def _working_mb(debits: list[Debit]) -> float:
    """What writing and checking hold at once, the debits themselves apart."""
    tracemalloc.start()
    _build(debits)
    peak = int(tracemalloc.get_traced_memory()[1])
    tracemalloc.stop()
    return round(float(peak) / 2**20, 2)

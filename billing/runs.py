"""The monthly run: planned once, cut in chunks that any worker claims, each billed in one transaction.

A run may be repeated, stopped, taken up again, or run twice at once; the database keeps one charge per agreement and period.
"""

import datetime
from typing import Any

from django.db import connection, transaction
from django.db.models import Q, QuerySet, Sum, TextField
from django.db.models.functions import Cast

from billing import allocation, chart, due, ledger
from billing.models import BillingChunk, BillingRun
from rentals.runtime.word import send_word
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user

CHUNK = 10_000
"""Agreements in one transaction: about a second's work, so that nobody at the counter waits long for one of them."""
SILENT = datetime.timedelta(minutes=10)
"""A run that gave no sign of life for so long has lost its worker."""
SUMS = (
    "agreements_billed",
    "up_to_date",
    "not_started",
    "on_hold",
    "recalled",
    "billed_elsewhere",
    "ended_meanwhile",
    "billed",
    "billed_amount",
)
ROOM = "SET LOCAL work_mem = '64MB'"
BY_HASH = "SET LOCAL enable_nestloop = off"
"""For BILL alone: what its steps hand on has no statistics, and ten thousand rows must never be met with each of ten thousand."""
WORKERS = 2
"""So many are called to a run; whoever comes when nothing is left to claim goes again."""


class RunUnderWayError(Exception):
    """The same run was asked for and is still being done."""

    def __init__(self, run: BillingRun) -> None:
        super().__init__("A billing run through this day is under way already.")
        self.run = run


# Every open agreement under one word; those with something to bill become chunks of so many, the others are counted.
PLAN = f"""
WITH {due.steps(due.ALL_HELD)}, judged AS MATERIALIZED ({due.JUDGED_QUICKLY}), cut AS (
    INSERT INTO billing_billingchunk (run_id, place, size, agreements, {", ".join(SUMS)})
    SELECT %(run)s, part + 1, count(*), array_agg(agreement_id ORDER BY agreement_id), {", ".join("0" for _ in SUMS)}
      FROM (SELECT agreement_id, (row_number() OVER (ORDER BY agreement_id) - 1) / %(chunk)s AS part
              FROM judged WHERE word = 'due') parts
     GROUP BY part
)
SELECT word, count(*) FROM judged WHERE word <> 'due' GROUP BY word
UNION ALL
SELECT 'up_to_date', (SELECT count(*) FROM opened) - (SELECT count(*) FROM judged)
"""  # noqa: S608 - no part of it comes from outside

# In the order of the whole house, and before anything is read: whoever is changing an agreement is waited for, then seen.
LOCK = """
SELECT count(*) FROM (
    SELECT FROM families_household h
     WHERE h.id IN (SELECT a.household_id FROM agreements_agreement a WHERE a.id = ANY(%(agreements)s))
     ORDER BY h.id FOR KEY SHARE) households
UNION ALL
SELECT count(*) FROM (
    SELECT FROM agreements_agreement a WHERE a.id = ANY(%(agreements)s) ORDER BY a.id FOR KEY SHARE) agreements
"""

BILL = f"""
WITH {due.steps(due.THESE)}, {due.DUE}, numbered AS MATERIALIZED (
    SELECT nextval((SELECT pg_get_serial_sequence('billing_charge', 'id')::regclass)) AS charge_id,
           nextval((SELECT pg_get_serial_sequence('billing_journalentry', 'id')::regclass)) AS entry_id, due.* FROM due
), won AS (
    INSERT INTO billing_charge (id, household_id, agreement_id, kind, period,
                                period_begins_on, period_ends_on, due_on, entry_id, run_id)
    SELECT charge_id, household_id, agreement_id, 'rent', period, begins_on, ends_on, begins_on, entry_id, %(run)s FROM numbered
    ON CONFLICT (agreement_id, period) WHERE kind = 'rent' AND void_entry_id IS NULL DO NOTHING
    RETURNING id
), billed AS MATERIALIZED (
    SELECT * FROM numbered WHERE charge_id IN (SELECT id FROM won)
), entries AS (
    INSERT INTO billing_journalentry (id, entry_on, kind, memo, source, currency, made_at, made_by_id)
    SELECT entry_id, greatest(begins_on, %(open_from)s::date), 'charge', 'Rent ' || number || ', period ' || (period + 1),
           'charge/' || charge_id, %(currency)s, %(now)s, %(user)s FROM billed
), postings AS (
    INSERT INTO billing_posting (entry_id, account_id, household_id, amount)
    SELECT entry_id, p.* FROM billed CROSS JOIN LATERAL (VALUES
            ('{chart.RECEIVABLES}', household_id, total), ('{chart.RENT}', NULL, -rent),
            ('{chart.PROTECTION}', NULL, -protection),
            ('{chart.SALES_TAX}', NULL, -rent_tax - protection_tax)) p (account, household, amount)
     WHERE p.amount <> 0
), lines AS (
    INSERT INTO billing_chargeline (charge_id, position, kind, is_tax, description, tax_rate, amount)
    SELECT charge_id, 1, 'rent', false, 'Rent' || note, NULL, rent FROM billed
    UNION ALL
    SELECT charge_id, 2, 'rent', true, 'Sales tax on rent', rent_rate, rent_tax FROM billed WHERE rent_rate > 0
    UNION ALL
    SELECT charge_id, 2 + (rent_rate > 0)::int, 'protection', false, 'Protection' || note, NULL, protection
      FROM billed WHERE protection > 0
    UNION ALL
    SELECT charge_id, 3 + (rent_rate > 0)::int, 'protection', true, 'Sales tax on protection', protection_rate, protection_tax
      FROM billed WHERE protection > 0 AND protection_rate > 0
), kept AS (
    SELECT DISTINCT ON (agreement_id) agreement_id, kept_back_by AS word FROM unbilled u
     WHERE kept_back_by IS NOT NULL AND NOT EXISTS (SELECT FROM billed b WHERE b.agreement_id = u.agreement_id)
     ORDER BY agreement_id, kept_back_by
)
SELECT count(*), coalesce(sum(total), 0), count(DISTINCT agreement_id), (SELECT count(*) FROM opened),
       (SELECT count(*) FROM kept WHERE word = 'hold'), (SELECT count(*) FROM kept WHERE word = 'recall'),
       (SELECT count(DISTINCT agreement_id) FROM begun) - (SELECT count(DISTINCT agreement_id) FROM unbilled)
  FROM billed
"""  # noqa: S608 - no part of it comes from outside

THEIRS = "ARRAY(SELECT household_id FROM agreements_agreement WHERE id = ANY(%(agreements)s))"
WITH_MONEY = f"SELECT DISTINCT household_id FROM ({allocation.UNUSED_MONEY}) m".replace("%(households)s", THEIRS)  # noqa: S608
LOCK_RICH = "SELECT FROM families_household WHERE id = ANY(%(households)s) ORDER BY id FOR NO KEY UPDATE"


@transaction.atomic
def start_run(*, through_on: datetime.date, acting_user: User, now: datetime.datetime) -> BillingRun:
    """Write down that everything due through a day (inclusive) is to be billed, and send a worker on its way.

    Outermost. Asked twice while it is under way it raises RunUnderWayError with the run that is.
    """
    under_way = unfinished().filter(through_on=through_on).first()
    if under_way is not None:
        raise RunUnderWayError(under_way)
    run = BillingRun.objects.create(through_on=through_on, asked_at=now, asked_by=acting_user)
    _send(run.pk)
    return run


def continue_run(run_id: int, *, now: datetime.datetime, chunk: int = CHUNK) -> BillingRun:
    """Bill what is left of a run, chunk by chunk, each committed on its own; a run that is done stays as it is.

    Outermost. Workers on one run claim different chunks; a worker that was killed loses no more than its own.
    """
    while continue_chunk(run_id, now=now, chunk=chunk):
        pass
    return BillingRun.objects.get(pk=run_id)


def continue_chunk(run_id: int, *, now: datetime.datetime, chunk: int = CHUNK) -> bool:
    """Plan a run, or take its next chunk; return whether there may be more.

    Money on account pays only when everything is billed, because it pays the oldest due date first.
    """
    run = BillingRun.objects.get(pk=run_id)
    if run.state == BillingRun.State.DONE:
        return False
    if run.planned_at is None:
        _plan(run, now, chunk)
    more = _bill_next(run, now) or _credit_next(run, now)
    _note(run, now, is_done=not more)
    return more


@transaction.atomic
def _plan(run: BillingRun, now: datetime.datetime, chunk: int) -> None:
    """Look through all open agreements and cut those with something due into chunks, once; a second worker waits for it."""
    if not BillingRun.objects.filter(pk=run.pk, planned_at=None).update(planned_at=now, heartbeat_at=now):
        return
    left_out = BillingChunk(run=run, place=0, size=0, billed_at=now, credited_at=now)
    with connection.cursor() as cursor:
        cursor.execute(ROOM)
        cursor.execute(PLAN, {"run": run.pk, "through": run.through_on, "chunk": chunk})
        for word, count in cursor:
            setattr(left_out, word, getattr(left_out, word) + count)
            left_out.size += count
    left_out.save(force_insert=True)
    total = BillingChunk.objects.filter(run=run).aggregate(total=Sum("size"))["total"]
    BillingRun.objects.filter(pk=run.pk).update(total=total, state=BillingRun.State.RUNNING)


def _claim(run: BillingRun, step: str) -> Any:
    """Lock the first chunk for which a step is not done; when others hold all of them, wait for the first to be let go.

    Its agreements stay text, `keys`: ten thousand numbers on their way from the database into the next query.
    """
    waiting = BillingChunk.objects.filter(run=run, **{step: None}).order_by("place").defer("agreements")
    waiting = waiting.annotate(keys=Cast("agreements", TextField()))
    free = waiting.select_for_update(skip_locked=True).first()
    return free if free is not None else waiting.select_for_update().first()


@transaction.atomic
def _bill_next(run: BillingRun, now: datetime.datetime) -> bool:
    chunk = _claim(run, "billed_at")
    if chunk is None:
        return False
    told: dict[str, Any] = {
        "through": run.through_on,
        "agreements": chunk.keys,
        "run": run.pk,
        "open_from": ledger.open_from(),
        "currency": ledger.currency(),
        "now": now,
        "user": run.asked_by_id,
    }
    with connection.cursor() as cursor:
        cursor.execute(ROOM)
        cursor.execute(LOCK, told)
        cursor.execute(BY_HASH)
        cursor.execute(BILL, told)
        charges, amount, billed, still_open, on_hold, recalled, nothing_left = cursor.fetchone()
    chunk.billed, chunk.billed_amount, chunk.agreements_billed = charges, amount, billed
    chunk.on_hold, chunk.recalled, chunk.up_to_date = on_hold, recalled, nothing_left
    chunk.ended_meanwhile = chunk.size - still_open
    chunk.billed_elsewhere = still_open - billed - on_hold - recalled - nothing_left
    chunk.billed_at = now
    chunk.save(update_fields=[*SUMS, "billed_at"])
    return True


@transaction.atomic
def _credit_next(run: BillingRun, now: datetime.datetime) -> bool:
    """Let the money on account of a chunk's households pay what they were billed."""
    chunk = _claim(run, "credited_at")
    if chunk is None:
        return False
    if chunk.billed:
        with connection.cursor() as cursor:
            cursor.execute(ROOM)
            cursor.execute(WITH_MONEY, {"agreements": chunk.keys})
            rich = [row[0] for row in cursor.fetchall()]
            cursor.execute(LOCK_RICH, {"households": rich})
        if rich:
            allocation.apply_credit(household_ids=rich, now=now)
    chunk.credited_at = now
    chunk.save(update_fields=["credited_at"])
    return True


def _note(run: BillingRun, now: datetime.datetime, *, is_done: bool) -> None:
    """Write down how far a run is: the sum of its chunks, so that nothing is counted twice or lost with a killed worker."""
    chunks = BillingChunk.objects.filter(run=run).exclude(billed_at=None)
    sums = chunks.aggregate(done=Sum("size"), **{f"all_{name}": Sum(name) for name in SUMS})
    noted = BillingRun.objects.filter(pk=run.pk).exclude(state=BillingRun.State.DONE)
    noted.update(
        state=BillingRun.State.DONE if is_done else BillingRun.State.RUNNING,
        heartbeat_at=now,
        finished_at=now if is_done else None,
        done=sums["done"],
        last_error="",
        **{name: sums[f"all_{name}"] for name in SUMS},
    )


def note_failure(*, run_id: int, error: str, now: datetime.datetime) -> None:
    """Write down why a run stopped. Nothing is lost: whoever starts it again bills the rest."""
    BillingRun.objects.filter(pk=run_id).exclude(state=BillingRun.State.DONE).update(
        state=BillingRun.State.FAILED, last_error=error, heartbeat_at=now
    )


def bill_tonight(*, today: datetime.date, now: datetime.datetime) -> BillingRun:
    """Start the run through today in the office's own name; the one under way when there is one."""
    try:
        return start_run(through_on=today, acting_user=ensure_system_user(), now=now)
    except RunUnderWayError as error:
        return error.run


def unfinished() -> QuerySet[BillingRun]:
    """List the runs that wait or run."""
    return BillingRun.objects.filter(state__in=[BillingRun.State.WAITING, BillingRun.State.RUNNING]).order_by("pk")


def list_silent(*, now: datetime.datetime) -> QuerySet[BillingRun]:
    """List the runs that lost their worker, or never got one."""
    quiet_since = now - SILENT
    return unfinished().filter(Q(heartbeat_at__lt=quiet_since) | Q(heartbeat_at=None, asked_at__lt=quiet_since))


def sweep(*, now: datetime.datetime) -> int:
    """Send workers to every run that lost its own, and return how many runs there were."""
    silent = list(list_silent(now=now).values_list("pk", flat=True))
    for run_id in silent:
        _send(run_id)
    return len(silent)


def _send(run_id: int) -> None:
    for _ in range(WORKERS):
        send_word("billing.tasks.continue_billing_run", run_id=run_id)

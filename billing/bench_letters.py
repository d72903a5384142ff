"""The letters' bench: the whole way of an overdue letter against bare WeasyPrint on the same page."""

import datetime
import multiprocessing
import resource
import time
from pathlib import Path
from typing import Any

from django.db import connections

from billing import bench_data, overdue, runs
from rentals.documents import operations, pdf
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document
from rentals.runtime import clock
from rentals.runtime.benches import Report, Run, bench
from rentals.staff.operations import ensure_system_user

LETTERS = 500
MANY = 5_000
"""So many letters the process makes in the end, to see whether its memory grows."""


@bench("letters")
def letters(run: Run) -> Report:
    """Write, render and keep letters to families that are late, each beside a bare rendering of the same page."""
    count = run.count(LETTERS)
    share = max(10, count // 5)
    many = max(run.count(MANY), count + 3 * share)
    today = clock.today()
    begun = today - datetime.timedelta(days=75)
    run.tell(f"making {many} families that are late")
    bench_data.fill(bench_data.prepare(), first=1, last=many, starts=begun.isoformat())
    billed = runs.start_run(through_on=today, acting_user=ensure_system_user(), now=clock.now())
    runs.continue_run(billed.pk, now=clock.now())
    due = overdue.list_steps_due(today=today)
    run.tell("warming up")
    for each in due[:2]:
        pdf.print_html(_page_of(_whole(each, today)))

    run.tell(f"{count} letters, each beside a bare rendering")
    whole = bare = 0.0
    sizes = []
    for each in due[2:count]:
        began = time.perf_counter()
        made = _whole(each, today)
        whole += time.perf_counter() - began
        page = _page_of(made)
        began = time.perf_counter()
        pdf.print_html(page)
        bare += time.perf_counter() - began
        sizes.append(len(bytes(made.content or b"")))
    early = _memory()

    run.tell(f"{share} letters by one process, then {share} by two")
    waiting = [_ask(each, today) for each in due[count : count + 2 * share]]
    alone = _by_processes(waiting[:share], 1)
    together = _by_processes(waiting[share:], 2)

    run.tell(f"the rest of {many}, to watch the memory")
    for each in due[count + 2 * share :]:
        _whole(each, today)
    return {
        "size": count,
        "seconds": round(whole, 3),
        "floor_seconds": round(bare, 3),
        "pages_per_second": round(len(sizes) / whole, 2),
        "two_workers": round(alone / together, 2),
        "largest_kb": round(max(sizes) / 1024, 1),
        "mb_after": {str(count): early, str(len(due)): _memory()},
    }


def _ask(due: overdue.StepDue, today: datetime.date) -> int:
    """Take one family's step: its letter stands in the outbox, and its document waits. Return the document's key."""
    overdue.take_step(due=due, today=today, now=clock.now(), acting_user=ensure_system_user())
    return Document.objects.values_list("pk", flat=True).get(about=f"household/{due.household.pk}")


def _whole(due: overdue.StepDue, today: datetime.date) -> Document:
    made = operations.make_document(document_id=_ask(due, today), now=clock.now())
    if made is None or made.state != Document.State.MADE:
        message = f"the letter was not made: {made and made.last_error}"
        raise RuntimeError(message)
    return made


def _page_of(document: Document) -> str:
    """Return the very page that a document was printed from."""
    kind = get_kind(document.kind)
    return pdf.render_html(kind=kind, payload=document.payload, title=document.title, language=document.language)


def _by_processes(waiting: list[int], number: int) -> float:
    """Make documents by so many processes at once; return the seconds from the first to the last."""
    connections.close_all()
    fork = multiprocessing.get_context("fork")
    began = time.perf_counter()
    workers = [fork.Process(target=_make_all, args=(waiting[place::number],)) for place in range(number)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    return time.perf_counter() - began


def _make_all(waiting: list[int]) -> None:
    for document_id in waiting:
        operations.make_document(document_id=document_id, now=clock.now())
    connections.close_all()


def _memory() -> float:
    """Return what this process holds now, in MB; its peak where the kernel does not tell."""
    status = Path("/proc/self/status")
    if status.exists():
        held: Any = next(line for line in status.read_text().splitlines() if line.startswith("VmRSS"))
        return round(int(held.split()[1]) / 1024, 1)
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)

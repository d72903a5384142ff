"""Matching by itself what is certain: after a file was taken in, at once where that is quick, else by a worker."""

import datetime

from django.db import IntegrityError, transaction

from billing import ledger, payments
from billing.banking import matching, proposals, queries
from billing.banking.operations import LineMatchedError
from billing.models import BankLine, BankMatch, MatchingRun, OpenItem
from rentals.families.models import Household
from rentals.runtime.locks import RowsBusyError, lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.word import send_word
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user

AT_ONCE = 40
"""So many lines a request matches itself; more take longer than a second and go to a worker."""
QUIET = datetime.timedelta(minutes=3)
BEAT = 20
PASSED_OVER = (
    LineMatchedError,
    RowsBusyError,
    ledger.MonthClosedError,
    matching.LineLeftOutError,
    matching.NotOutstandingError,
    matching.PartsDoNotAddUpError,
    payments.ReturnedBeforeReceivedError,
)
"""A line that changed meanwhile is left to a person."""


@transaction.atomic
def start(*, acting_user: User, now: datetime.datetime) -> MatchingRun:
    """Begin a round over all open lines, or return the one that is under way. Outermost, or after a file was taken in."""
    under_way = MatchingRun.objects.filter(finished_at=None).first()
    if under_way is not None:
        return under_way
    try:
        with transaction.atomic():
            run = MatchingRun.objects.create(
                asked_at=now, asked_by=acting_user, heartbeat_at=now, total=queries.list_open_lines().count()
            )
    except IntegrityError:
        return MatchingRun.objects.get(finished_at=None)
    return run


def start_after_file(*, acting_user: User, today: datetime.date, now: datetime.datetime) -> MatchingRun:
    """Match what is certain now that new lines are here: few at once, many by a worker."""
    run = start(acting_user=acting_user, now=now)
    if run.total <= AT_ONCE:
        return continue_run(run.pk, today=today, now=now)
    send_word("billing.tasks.match_certain_lines", run_id=run.pk)
    return run


def continue_run(run_id: int, *, today: datetime.date, now: datetime.datetime) -> MatchingRun:
    """Match what is certain of all open lines, one transaction a line. Taken up again, or run twice, it finds the rest."""
    run = MatchingRun.objects.get(pk=run_id)
    if run.finished_at is not None:
        return run
    lines = list(queries.list_lines("open"))
    jobs = ensure_system_user()
    undone = set(BankMatch.objects.filter(line__in=lines, how=BankMatch.How.CERTAIN).values_list("line_id", flat=True))
    found = proposals.propose(lines, today=today)
    matched = 0
    for place, line in enumerate(lines, start=1):
        best = found[line.pk][0]
        if best.is_certain and line.pk not in undone:
            matched += _match(line, best, jobs, now)
        if place % BEAT == 0:
            _tell(run, len(lines), place, matched, now)
    _tell(run, len(lines), len(lines), matched, now, finished_at=now)
    return MatchingRun.objects.get(pk=run_id)


def _tell(run: MatchingRun, total: int, done: int, matched: int, now: datetime.datetime, **more: datetime.datetime) -> None:
    """Say how far it is. What an earlier worker matched before it was lost counts on."""
    row = MatchingRun.objects.filter(pk=run.pk)
    earlier = run.done
    row.update(total=earlier + total, done=earlier + done, matched=run.matched + matched, heartbeat_at=now, **more)


def _match(line: BankLine, best: proposals.Proposal, jobs: User, now: datetime.datetime) -> int:
    try:
        with transaction.atomic():
            if best.charge_ids and not _still_open(best, line):
                return 0
            parts = proposals.parts_of(best.choice, line)
            matching.match_line(line=line, parts=parts, how=BankMatch.How.CERTAIN, acting_user=jobs, now=now)
    except PASSED_OVER:
        return 0
    except IntegrityError as error:
        if not matching.is_of_two_at_once(error):
            raise
        return 0
    return 1


def _still_open(best: proposals.Proposal, line: BankLine) -> bool:
    """Look again, with the household locked, whether what the line pays was not paid at the counter meanwhile."""
    items = OpenItem.objects.filter(charge_id__in=best.charge_ids)
    household = items.values_list("household_id", flat=True).first()
    if household is None:
        return False
    lock_one(Household.objects.filter(pk=household))
    return bool(sum(items.values_list("open", flat=True), ZERO) == line.amount)


def sweep(*, now: datetime.datetime) -> None:
    """Send a worker to a round whose worker has been silent for three minutes."""
    for run in MatchingRun.objects.filter(finished_at=None, heartbeat_at__lt=now - QUIET):
        MatchingRun.objects.filter(pk=run.pk).update(heartbeat_at=now)
        send_word("billing.tasks.match_certain_lines", run_id=run.pk)

"""The clock's tick: what is due becomes a row, and workers are told of the rows that wait. Two clocks at once do no harm."""

import datetime

from django.db.models import Max, Q
from django.db.models.functions import Coalesce
from django.utils import timezone

from rentals.jobs import rules, timetable
from rentals.jobs.models import JobMark, JobRun
from rentals.runtime.waiting import FURTHEST
from rentals.runtime.word import send_word

WORK_ON = "rentals.jobs.tasks.work_on"
MAKE_ROUND = "rentals.jobs.tasks.make_round"
MARGIN = datetime.timedelta(minutes=10)
"""So much later than the job itself the broker's side ends a worker that is still at a job which may not be put down."""
SILENT = datetime.timedelta(seconds=15)
"""A run that says nothing for so long may have lost its worker; whoever comes finds out by its lease."""


def tick(*, now: datetime.datetime) -> int:
    """Enter what is due, tell workers of it and of all that waits; return how many were told. Outermost; run by beat.

    A round is told once in its time, however many clocks tick; a job of the day has one row per day. A clock that was set back
    finds the day's row there already; one that had slept enters what it missed.
    """
    _meet_new_jobs(now=now)
    _enter_due_days(now=now)
    return _tell_rounds(now=now) + _tell_runs(now=now)


def _meet_new_jobs(*, now: datetime.datetime) -> None:
    """Remember since when each job is known: a new one does not begin by catching up, its first round comes in its time."""
    codes = {*timetable.DAY_JOBS, *timetable.ROUNDS}
    known = set(JobMark.objects.values_list("code", flat=True))
    if codes - known:
        new = [
            JobMark(code=code, known_since=now, told_at=now if code in timetable.ROUNDS else None)
            for code in sorted(codes - known)
        ]
        JobMark.objects.bulk_create(new, ignore_conflicts=True)
    JobMark.objects.filter(known_since__gt=now).update(known_since=now)  # met by a clock that has since been set back


def _enter_due_days(*, now: datetime.datetime) -> None:
    zone = timezone.get_default_timezone()
    marks = dict(JobMark.objects.values_list("code", "known_since"))
    # Days to come were entered by a clock that was ahead; those before them have their turn all the same.
    so_far = Q(on__lte=now.astimezone(zone).date())
    last = dict(JobRun.objects.order_by().values_list("code").annotate(last=Max("on", filter=so_far)))
    due = []
    for job in timetable.list_day_jobs():
        known_since = marks.get(job.code, now)
        after = last.get(job.code) or _last_day_before(known_since, job.at, zone)
        for on in rules.days_due(at=job.at, after=after, now=now, zone=zone, each_day=job.each_day):
            moment = _moment_of(job, on, zone)
            if moment <= now:
                due.append(JobRun(code=job.code, on=on, due_at=moment))
    if due:
        JobRun.objects.bulk_create(due, ignore_conflicts=True)


def _moment_of(job: timetable.DayJob, on: datetime.date, zone: datetime.tzinfo) -> datetime.datetime:
    """Return when a job of a day is due: not before what it comes after, which the night without two o'clock puts later."""
    before = [timetable.DAY_JOBS[code].at for code in job.after if code in timetable.DAY_JOBS]
    return max(rules.moment_of(on, at, zone) for at in (job.at, *before))


def _last_day_before(moment: datetime.datetime, at: datetime.time, zone: datetime.tzinfo) -> datetime.date:
    """Return the last day whose time had come by a moment."""
    on = moment.astimezone(zone).date()
    return on if rules.moment_of(on, at, zone) <= moment else on - datetime.timedelta(days=1)


def _tell_rounds(*, now: datetime.datetime) -> int:
    told = 0
    for each in timetable.ROUNDS.values():
        # A mark in the future was made by a clock that has since been set back.
        due = Q(told_at=None) | Q(told_at__lte=now - each.every) | Q(told_at__gt=now + each.every)
        if JobMark.objects.filter(due, code=each.code).update(told_at=now):
            send_word(MAKE_ROUND, code=each.code)
            told += 1
    return told


def _tell_runs(*, now: datetime.datetime) -> int:
    their_time = Q(next_try_at=None) | Q(next_try_at__lte=now) | Q(next_try_at__gt=now + FURTHEST)
    waiting = Q(state=JobRun.State.WAITING) & their_time
    silent = Q(state=JobRun.State.RUNNING) & (Q(said_at__lte=now - SILENT) | Q(said_at__gt=now + SILENT))
    said = JobRun.objects.annotate(said_at=Coalesce("heartbeat_at", "began_at"))
    runs = list(said.filter(waiting | silent).order_by("due_at", "pk").values_list("pk", "code")[:100])
    for run_id, code in runs:
        tell(run_id, code)
    return len(runs)


def tell(run_id: int, code: str) -> None:
    """Send word of a run once the open transaction has committed, with the time that a job may take which is not put down."""
    job = timetable.DAY_JOBS.get(code)
    if job is not None and job.whole:
        send_word(WORK_ON, at_most=job.whole + MARGIN, run_id=run_id)
    else:
        send_word(WORK_ON, run_id=run_id)

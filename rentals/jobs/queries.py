"""What the pages about jobs show."""

import datetime
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from rentals.jobs import rules, timetable
from rentals.jobs.models import JobMark, JobRun

State = JobRun.State


@dataclass(frozen=True)
class DayLine:
    """A job of the day: its title, its time, its last run, and when it comes next."""

    job: timetable.DayJob
    last: JobRun | None
    next_at: datetime.datetime


@dataclass(frozen=True)
class RoundLine:
    """A round: its title, how often, and how the last one went. `is_late` when none was made for five times its interval."""

    title: str
    seconds: int
    mark: JobMark | None
    is_late: bool

    @property
    def minutes(self) -> int:
        """Its interval in minutes."""
        return self.seconds // 60

    @property
    def hours(self) -> int:
        """Its interval in hours."""
        return self.seconds // 3600


def list_day_lines(*, now: datetime.datetime) -> list[DayLine]:
    """List the jobs of the day in the order of the clock, each with its last run. One query."""
    zone = timezone.get_default_timezone()
    newest = JobRun.objects.order_by("code", "-on").distinct("code").select_related("asked_by")
    last = {run.code: run for run in newest}
    return [DayLine(job, last.get(job.code), _next_at(job, now, zone)) for job in timetable.list_day_jobs()]


def _next_at(job: timetable.DayJob, now: datetime.datetime, zone: datetime.tzinfo) -> datetime.datetime:
    on = now.astimezone(zone).date()
    moment = rules.moment_of(on, job.at, zone)
    return moment if moment > now else rules.moment_of(on + datetime.timedelta(days=1), job.at, zone)


def list_round_lines(*, now: datetime.datetime) -> list[RoundLine]:
    """List the rounds by title. One query."""
    marks = {mark.code: mark for mark in JobMark.objects.all()}
    lines = []
    for each in sorted(timetable.ROUNDS.values(), key=lambda each: each.title):
        mark = marks.get(each.code)
        since = (mark.ended_at or mark.began_at or mark.known_since) if mark else now
        is_late = now - since > max(5 * each.every, datetime.timedelta(minutes=5))
        lines.append(RoundLine(each.title, int(each.every.total_seconds()), mark, is_late))
    return lines


def list_runs(*, state: str = "", code: str = "") -> QuerySet[JobRun]:
    """Return runs, the latest first; of one state or job when given."""
    runs = JobRun.objects.select_related("asked_by").order_by("-due_at", "-pk")
    if state in State.values:
        runs = runs.filter(state=state)
    return runs.filter(code=code) if code else runs


def list_given_up() -> QuerySet[JobRun]:
    """Return the runs that a person has to look at, the latest first.

    Where the last night stands for all, one that was done since has done what an earlier one could not.
    """
    each_day = [job.code for job in timetable.DAY_JOBS.values() if job.each_day]
    done_since = JobRun.objects.filter(code=OuterRef("code"), on__gt=OuterRef("on"), state=State.DONE).exclude(code__in=each_day)
    return list_runs(state=State.GIVEN_UP).filter(~Exists(done_since))


def list_open() -> QuerySet[JobRun]:
    """Return the runs that wait or run, the earliest first."""
    return JobRun.objects.filter(state__in=[State.WAITING, State.RUNNING]).order_by("due_at", "pk")


def title_of(code: str) -> str:
    """Return the title of a job; of one that is no longer on the timetable, its code in words."""
    job = timetable.DAY_JOBS.get(code)
    return job.title if job else code.replace("/", ": ").replace("_", " ").capitalize()

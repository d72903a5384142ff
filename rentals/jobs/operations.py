"""What people do with jobs: have one done now, done again, or stopped."""

import datetime

from django.db import transaction

from rentals.jobs import timetable
from rentals.jobs.models import JobRun
from rentals.jobs.ticking import tell
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.policy import require

State = JobRun.State


class JobUnderWayError(Exception):
    """It waits or runs already."""

    def __init__(self, run: JobRun) -> None:
        self.run = run
        super().__init__("This job is under way already; its page shows how far it is.")


class JobOverError(Exception):
    """It is over, so there is nothing to stop."""

    def __init__(self, run: JobRun) -> None:
        self.run = run
        super().__init__("This job is over already; there is nothing left to stop.")


@transaction.atomic
def run_now(*, code: str, acting_user: User, today: datetime.date, now: datetime.datetime) -> JobRun:
    """Have a job done now, for today; what it did today before is not done twice, because every job is repeatable.

    Raises PermissionDenied, UnknownJobError; JobUnderWayError when it waits or runs.
    """
    require(acting_user, "jobs.run")
    timetable.get_day_job(code)
    run, is_new = JobRun.objects.get_or_create(code=code, on=today, defaults={"due_at": now, "asked_by": acting_user})
    if is_new:
        tell(run.pk, run.code)
        return run
    return _begin_anew(run, acting_user=acting_user, now=now)


@transaction.atomic
def run_again(*, run: JobRun, acting_user: User, now: datetime.datetime) -> JobRun:
    """Have a run that is over, given up or stopped, done again. Raises PermissionDenied, JobUnderWayError."""
    require(acting_user, "jobs.run")
    return _begin_anew(run, acting_user=acting_user, now=now)


@transaction.atomic
def stop(*, run: JobRun, acting_user: User, now: datetime.datetime) -> JobRun:
    """Stop a run: at once while it waits, at its next resting place while it runs. What it did stays.

    Raises PermissionDenied, JobOverError.
    """
    require(acting_user, "jobs.run")
    current: JobRun = lock_one(JobRun.objects.filter(pk=run.pk))
    if current.is_over:
        raise JobOverError(current)
    current.stop_asked_at = now
    if current.state == State.WAITING:
        current.state, current.ended_at = State.STOPPED, now
    current.save(update_fields=["stop_asked_at", "state", "ended_at"])
    return current


def _begin_anew(run: JobRun, *, acting_user: User, now: datetime.datetime) -> JobRun:
    current: JobRun = lock_one(JobRun.objects.filter(pk=run.pk))
    if not current.is_over:
        raise JobUnderWayError(current)
    current.state, current.asked_by, current.attempts = State.WAITING, acting_user, 0
    current.began_at = current.ended_at = current.heartbeat_at = current.next_try_at = current.stop_asked_at = None
    current.total, current.done, current.failed, current.last_error = None, 0, 0, ""
    current.said = ""
    current.save()
    tell(current.pk, current.code)
    return current

"""At work on a run: claimed, carried on from part to part, and put down again wherever it has to be.

Only one worker is at a job at a time, whatever days of it wait (`leases`); one that died leaves a row that says `running` and a
lease that nobody holds, and whoever is told next takes it up. Every write here names the claim: nobody writes for another.
"""

import datetime
import logging
import time
import uuid
from collections.abc import Callable, Generator
from typing import Any

from django.db import transaction
from django.db.models import F, Q

from rentals.jobs import leases, timetable
from rentals.jobs.models import JobMark, JobRun
from rentals.jobs.ticking import tell
from rentals.jobs.timetable import GONE, DayJob, Step, Turn, UnknownJobError
from rentals.runtime import disk
from rentals.runtime.waiting import FURTHEST, backoff

logger = logging.getLogger(__name__)

Clock = Callable[[], datetime.datetime]
State = JobRun.State
MOST_ATTEMPTS = 5
SLICE = datetime.timedelta(minutes=4)
"""After so long a worker puts a run down at its next resting place and queues behind what else waits."""
BEATS = 1.0
"""Seconds between two signs of life; whoever watches sees it move, and a run of ten thousand steps writes a hundred times."""
TOO_LONG = "It was not done after {hours:g} hours and was ended. Run again, it begins anew; ask first why it takes so long."
LEFT_BEHIND = "The worker was stopped five times while at it, and nothing had moved in between."
ROUND_LEFT = "Its worker was ended while at it, or lost the database."

AWAY = ("08", "57P")
"""SQLSTATEs of a connection that broke and of a server that ends or starts (PostgreSQL manual, "PostgreSQL Error Codes")."""


class JobCannotRunError(Exception):
    """What a job raises when a person has to do something first; its text says what."""


def work_on(*, run_id: int, now: Clock) -> JobRun | None:
    """Carry a run on until it is done, its time is used up, or it fails; None when there is nothing to do for us.

    Outermost. May be told any number of times, also while it runs.
    """
    code = JobRun.objects.filter(pk=run_id).values_list("code", flat=True).first()
    with leases.lease(leases.RUNS, code or run_id) as held:
        claimed = _claim(run_id, now()) if held is not None else None
        if held is None or claimed is None or claimed.is_over:
            return claimed
        hand = _Hand(claimed, held, now)
        try:
            job = timetable.get_day_job(claimed.code)
            hand.carry(job)
        except UnknownJobError:
            hand.end(State.GIVEN_UP, "This job is no longer on the timetable.")
        except JobCannotRunError as error:
            hand.end(State.GIVEN_UP, str(error))
        except Exception as error:
            what = _called(error)
            if not what:
                logger.warning("job %s (%s) lost its database: %s", claimed.code, claimed.on, type(error).__name__)
                raise
            logger.exception("job %s (%s) failed", claimed.code, claimed.on)
            hand.fail(disk.FULL if disk.is_full(error) else f"It stopped with {what}; the log of that time says where.")
    return JobRun.objects.get(pk=run_id)


def make_round(*, code: str, now: Clock) -> bool:
    """Make a round, unless somebody is at it; tell whether it was made. A failure is kept on its mark."""
    each = timetable.ROUNDS.get(code)
    if each is None:
        return False
    with leases.lease(leases.ROUNDS, code) as held:
        if held is None:
            return False
        mark = JobMark.objects.filter(code=code)
        mark.filter(began_at__isnull=False, ended_at=None).update(failures=F("failures") + 1, last_error=ROUND_LEFT)
        mark.update(began_at=now(), ended_at=None)
        try:
            each.work(now())
        except GONE:
            raise
        except Exception as error:
            logger.exception("round %s failed", code)
            failures = mark.values_list("failures", flat=True).first() or 0
            mark.update(ended_at=now(), failures=failures + 1, last_error=f"It stopped with {type(error).__name__}.")
        else:
            mark.update(ended_at=now(), failures=0, last_error="")
    return True


def _called(error: Exception) -> str:
    """Return what kind of error it is; "" when the database is away, rather than took back what it was asked."""
    if not isinstance(error, GONE):
        return type(error).__name__
    code = getattr(error.__cause__, "sqlstate", None)
    return "" if code is None or code.startswith(AWAY) else type(error.__cause__).__name__


class _Hand:
    """The hand that holds a claimed run: it notes steps, and writes only while the claim is its own."""

    def __init__(self, run: JobRun, lease: leases.Lease, now: Clock) -> None:
        self._run, self._lease, self._now = run, lease, now
        self._since = now()
        self._done = self._failed = 0
        self._said = ""
        self._noted = time.monotonic()

    def carry(self, job: DayJob) -> None:
        """Go through the job's steps. Ended between two of them, the generator is closed and takes back what is half done."""
        steps = job.work(Turn(self._run.on, self._now))
        try:
            for step in steps:
                if not self._may_go_on(step, job.whole):
                    return
        finally:
            if isinstance(steps, Generator):
                steps.close()
        if not self._note():
            return
        if self._run.failed:
            self.fail(f"{self._run.failed} could not be done; the log of that time says why. The others are done.")
        else:
            self.end(State.DONE, "")

    def _may_go_on(self, step: Step, whole: datetime.timedelta | None) -> bool:
        """Add a step up; every second, note it and see whether we may go on. What ends here was written down here."""
        self._done += step.done
        self._failed += step.failed
        self._said = step.said or self._said
        if step.total is not None:
            self._mine().update(total=self._run.done + self._run.failed + self._done + self._failed + step.total)
        if time.monotonic() - self._noted < BEATS:
            return True
        if not self._note():
            return False
        if self._run.stop_asked_at is not None:
            self.end(State.STOPPED, "")
            return False
        if self._now() - self._since < (whole or SLICE):
            return True
        if whole:
            self.end(State.GIVEN_UP, TOO_LONG.format(hours=round(whole.total_seconds() / 3600, 1)))
        else:
            self._put_down()
        return False

    def _note(self) -> bool:
        """Write down how far it is; False when the run is no longer ours."""
        if not self._lease.is_held():
            return False
        self._noted = time.monotonic()
        run = self._run
        changes: dict[str, Any] = {"heartbeat_at": self._now(), "said": self._said}
        if self._done + self._failed > 0:
            # What fails moves nothing: a family that fails every time must not keep a run, and what comes after it, for ever.
            run.attempts = 1 if self._done else run.attempts
            run.done, run.failed = run.done + self._done, run.failed + self._failed
            self._done = self._failed = 0
            changes |= {"done": run.done, "failed": run.failed, "attempts": run.attempts}
        if not self._mine().update(**changes):
            return False
        run.refresh_from_db(fields=["stop_asked_at"])
        return True

    def _put_down(self) -> None:
        """Let others have a turn; the same run goes on from where the database says."""
        with transaction.atomic():
            if self._mine().update(state=State.WAITING, claim=None, attempts=0, next_try_at=None):
                tell(self._run.pk, self._run.code)

    def end(self, state: str, sentence: str) -> None:
        """Write down that it is over, and how."""
        self._mine().update(state=state, claim=None, ended_at=self._now(), said="", last_error=sentence)

    def fail(self, sentence: str) -> None:
        """Try again later, at growing intervals; after five without progress hand it to a person. Asked to stop, never."""
        if self._mine().filter(stop_asked_at__isnull=False).exists():
            self.end(State.STOPPED, sentence)
            return
        if self._run.attempts >= MOST_ATTEMPTS:
            self.end(State.GIVEN_UP, sentence)
            return
        later = self._now() + backoff(f"job/{self._run.pk}", self._run.attempts)
        self._mine().update(state=State.WAITING, claim=None, next_try_at=later, said="", last_error=sentence)

    def _mine(self) -> Any:
        return JobRun.objects.filter(pk=self._run.pk, claim=self._run.claim)


@transaction.atomic
def _claim(run_id: int, now: datetime.datetime) -> JobRun | None:
    """Take a run whose time has come and count the attempt; None when it has to wait. We hold its lease, so nobody is at it.

    Asked to stop while nobody was at it, it is stopped here.
    """
    run = JobRun.objects.select_for_update().filter(pk=run_id, state__in=[State.WAITING, State.RUNNING]).first()
    if run is None:
        return None
    if run.stop_asked_at is not None:
        run.state, run.claim, run.ended_at = State.STOPPED, None, now
        run.save()
        return run
    if (run.next_try_at is not None and now < run.next_try_at <= now + FURTHEST) or _has_to_wait(run):
        return None
    if run.state == State.RUNNING and run.attempts >= MOST_ATTEMPTS:
        run.state, run.claim, run.ended_at, run.last_error = State.GIVEN_UP, None, now, run.last_error or LEFT_BEHIND
    else:
        run.state, run.claim, run.attempts, run.next_try_at = State.RUNNING, uuid.uuid4(), run.attempts + 1, None
        run.began_at, run.heartbeat_at, run.failed, run.said = run.began_at or now, now, 0, ""
    run.save()
    return run


def _has_to_wait(run: JobRun) -> bool:
    """Tell whether an earlier day of the same job, or a job it comes after, is not over yet."""
    job = timetable.DAY_JOBS.get(run.code)
    before = Q(code=run.code, on__lt=run.on)
    if job is not None and job.after:
        before |= Q(code__in=job.after, on__lte=run.on)
    return JobRun.objects.filter(before, state__in=[State.WAITING, State.RUNNING]).exists()

"""The broker's side ends what takes too long; what says that it must be done whole has its own time. With a real worker."""

import datetime
import time
from collections.abc import Callable, Iterator

import pytest
from celery import Celery

from rentals.celery import app
from rentals.jobs import ticking, working
from rentals.jobs.models import JobRun
from rentals.jobs.timetable import Step
from rentals.runtime import clock
from tests.elsewhere import another_process
from tests.jobs.timetables import nightly, only

WORKER = """
from datetime import timedelta
from rentals.celery import app
from rentals.jobs.timetable import Step
from tests.jobs.timetables import nightly, only

def slow(turn):
    for second in range(12):
        time.sleep(0.5)
        yield Step(said=f"At half second {second}.")
    yield Step(done=1)

def stuck(turn):
    yield Step()
    time.sleep(60)

app.conf.task_time_limit = 2
with only(nightly(slow, code="try/whole", whole=timedelta(minutes=5)), nightly(stuck, code="try/stuck")):
    app.worker_main(["--quiet", "worker", "-Q", "patience", "--concurrency", "1",
                     "--without-gossip", "--without-mingle", "--loglevel", "WARNING"])
"""
WHOLE = datetime.timedelta(minutes=5)


def nothing_left(_turn: object) -> Iterator[Step]:
    yield Step(done=1)


def wait_for(what: Callable[[], bool], seconds: float = 40) -> None:
    ends = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < ends, list(JobRun.objects.values("code", "state", "said", "last_error"))
        time.sleep(0.1)


@pytest.fixture
def own_queue(transactional_db, monkeypatch):
    """Words go where only this test's worker hears them, as elsewhere in everything else."""
    producer = Celery("patience", broker=app.conf.broker_url, set_as_current=False)
    producer.conf.update(task_default_queue="patience", broker_transport_options=app.conf.broker_transport_options)
    monkeypatch.setattr("rentals.runtime.word.current_app", producer)
    yield
    producer.control.purge()


def test_what_must_be_done_whole_outlives_the_usual_limit_and_what_is_stuck_does_not(own_queue):
    stuck, whole = (JobRun.objects.create(code=code, on=clock.today(), due_at=clock.now()) for code in ("try/stuck", "try/whole"))
    jobs = (nightly(nothing_left, code="try/whole", whole=WHOLE), nightly(nothing_left, code="try/stuck"))
    with another_process(WORKER), only(*jobs):
        ticking.tell(stuck.pk, stuck.code)
        ticking.tell(whole.pk, whole.code)
        wait_for(lambda: JobRun.objects.get(pk=whole.pk).said != "")
        began = JobRun.objects.get(pk=whole.pk).began_at
        assert JobRun.objects.get(pk=stuck.pk).state == "running", "ended in the middle, as the row still says"
        wait_for(lambda: JobRun.objects.get(pk=whole.pk).state == "done")
        done = JobRun.objects.get(pk=whole.pk)
        assert (done.attempts, done.began_at) == (1, began)
        assert done.ended_at - began > datetime.timedelta(seconds=5), "more than twice the usual limit of this worker"
        # Nobody holds the lease of what was ended: whoever is told next does it.
        assert working.work_on(run_id=stuck.pk, now=clock.now).state == "done"

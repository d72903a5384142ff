"""What the broker brings twice is done once, and what kills whoever takes it is given up to a person. With a real worker."""

import datetime
from collections.abc import Iterator

import pytest

from rentals.documents.models import OutboxMessage
from rentals.jobs import ticking
from rentals.jobs.models import JobRun
from rentals.jobs.timetable import Step
from rentals.jobs.working import LEFT_BEHIND
from rentals.runtime import clock
from tests.elsewhere import another_process
from tests.jobs.test_patience import own_queue, wait_for  # noqa: F401
from tests.jobs.timetables import nightly, only

WORKER = """
import os, signal
from celery.signals import task_prerun
from rentals.celery import app
from rentals.documents.models import OutboxMessage
from rentals.jobs.models import JobRun
from rentals.jobs.timetable import Step
from rentals.runtime import clock
from tests.jobs.timetables import nightly, only

@task_prerun.connect
def delivered(**_):
    OutboxMessage.objects.create(key=f"delivery/{clock.now()}", kind="delivery", channel="mail", queued_at=clock.now())

def slow(turn):
    OutboxMessage.objects.create(key=f"effect/{clock.now()}", kind="effect", channel="mail", queued_at=clock.now())
    while OutboxMessage.objects.filter(kind="delivery").count() < 2:
        time.sleep(0.2)
    time.sleep(1)
    yield Step(done=1)

def poison(turn):
    yield Step()
    os.kill(os.getpid(), signal.SIGKILL)

app.conf.broker_transport_options = {"visibility_timeout": 5, "unacked_restore_interval": 1, "unacked_restore_throttle": 1}
with only(nightly(slow, code="try/slow"), nightly(poison, code="try/poison")):
    app.worker_main(["--quiet", "worker", "-Q", "patience", "--concurrency", "2",
                     "--without-gossip", "--without-mingle", "--loglevel", "ERROR"])
"""


def nothing(_turn: object) -> Iterator[Step]:
    yield Step()


@pytest.fixture
def worker(own_queue):  # noqa: F811
    """A worker of two processes whose broker brings again what was not acknowledged for five seconds."""
    with only(nightly(nothing, code="try/slow"), nightly(nothing, code="try/poison")), another_process(WORKER):
        yield


def tell(code: str) -> JobRun:
    run = JobRun.objects.create(code=code, on=clock.today(), due_at=clock.now())
    ticking.tell(run.pk, run.code)
    return run


def counted(kind: str) -> int:
    return OutboxMessage.objects.filter(kind=kind).count()


def test_delivered_again_while_it_is_at_work_the_second_finds_the_lease_and_leaves(worker):
    run = tell("try/slow")
    wait_for(lambda: JobRun.objects.get(pk=run.pk).state == "done", seconds=90)
    run.refresh_from_db()
    assert counted("delivery") >= 2, "longer than the broker waits for word"
    assert (counted("effect"), run.attempts, run.done) == (1, 1, 1)
    assert run.ended_at - run.began_at > datetime.timedelta(seconds=5)


def test_what_kills_its_worker_is_taken_up_five_times_and_then_a_persons(worker):
    run = tell("try/poison")
    wait_for(lambda: JobRun.objects.get(pk=run.pk).state == "given_up", seconds=90)
    run.refresh_from_db()
    assert (run.attempts, run.last_error) == (5, LEFT_BEHIND)
    assert counted("delivery") >= 6, "five times begun, and once to give it up"

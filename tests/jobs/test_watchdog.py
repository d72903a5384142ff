"""A worker that takes nothing from its broker any more ends itself. The real worker, told to stop listening."""

import datetime
import time

import pytest
from celery import current_app

from rentals.jobs import watchdog
from rentals.jobs.models import JobMark
from rentals.runtime import clock, processes
from tests.browser import processes_running

NOW = datetime.datetime(2026, 11, 24, 9, 0, tzinfo=datetime.UTC)


def mark(told: int | None, began: int | None) -> None:
    def moment(seconds):
        return None if seconds is None else NOW + datetime.timedelta(seconds=seconds)

    JobMark.objects.create(code=f"r/{told}/{began}", known_since=NOW, told_at=moment(told), began_at=moment(began))


@pytest.mark.django_db
class TestRoundsAreLeftLying:
    @pytest.mark.parametrize(
        ("told", "began", "lying"),
        [(None, None, False), (10, None, True), (100, 95, False), (100, 60, False), (100, 55, True), (100, 160, False)],
    )
    def test_when_what_was_told_is_not_begun(self, told, began, lying):
        mark(told, began)
        assert watchdog.rounds_are_left_lying() is lying

    def test_not_when_another_worker_makes_some(self):
        mark(100, 10)
        mark(90, 90)
        assert not watchdog.rounds_are_left_lying()


@pytest.mark.django_db
class TestIsDeaf:
    @pytest.fixture
    def seconds(self, monkeypatch):
        """Let the test say how late it is."""
        late = [0.0]
        monkeypatch.setattr(watchdog.time, "monotonic", lambda: late[0])
        return late

    def watch(self, *, busy=False, taken=0):
        return watchdog.Watchdog(is_busy=lambda: busy, taken=lambda: taken, end=lambda: None)

    def test_only_after_a_whole_silence(self, seconds):
        mark(100, 10)
        dog = self.watch()
        assert not dog.is_deaf()
        seconds[0] = 89
        assert not dog.is_deaf()
        seconds[0] = 90
        assert dog.is_deaf()

    def test_not_while_it_is_at_work(self, seconds):
        mark(100, 10)
        dog = self.watch(busy=True)
        seconds[0] = 500
        assert not dog.is_deaf()

    def test_not_in_an_office_without_a_clock(self, seconds):
        dog = self.watch()
        seconds[0] = 500
        dog.is_deaf()
        seconds[0] = 1000
        assert not dog.is_deaf()


@pytest.mark.django_db(transaction=True)
def test_a_real_worker_that_stopped_listening_is_started_anew_and_makes_the_round():
    listening = [lambda bind: processes.web(bind, workers=1), lambda bind: processes.worker(processes=1)]
    with processes_running(lambda bind: [start(bind) for start in listening], OFFICE_WORKER_SILENT_SECONDS="6") as office:
        current_app.control.cancel_consumer("celery")
        JobMark.objects.create(code="outbox/send_due", known_since=clock.now(), told_at=clock.now())
        current_app.send_task("rentals.jobs.tasks.make_round", kwargs={"code": "outbox/send_due"})
        ends = time.monotonic() + 90
        while JobMark.objects.get(code="outbox/send_due").ended_at is None:
            assert time.monotonic() < ends, office.lines
            time.sleep(0.2)
        assert "hears nothing of its broker any more" in office.lines
        assert office.lines.count("worker ended unexpectedly") == 1

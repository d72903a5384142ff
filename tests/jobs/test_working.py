"""A run is carried on by one worker at a time, put down at its resting places, and taken up again where the database says."""

import datetime
import threading
import time
import uuid

import pytest
from django.db import DatabaseError, OperationalError, connection, transaction

from rentals.jobs import leases, working
from rentals.jobs.models import JobMark, JobRun
from rentals.jobs.timetable import Round, Step, one_by_one
from tests.elsewhere import another_process
from tests.jobs.timetables import nightly, only

NOW = datetime.datetime(2026, 11, 24, 9, 0, tzinfo=datetime.UTC)


TODAY = NOW.date()


def now() -> datetime.datetime:
    return NOW


def make_run(code="try/it", on=TODAY, **facts) -> JobRun:
    return JobRun.objects.create(code=code, on=on, due_at=NOW, **facts)


def left_behind(**facts) -> JobRun:
    """A run whose worker died."""
    return make_run(state="running", claim=uuid.uuid4(), began_at=NOW, heartbeat_at=NOW, **facts)


@pytest.fixture(autouse=True)
def every_step_is_noted(monkeypatch):
    monkeypatch.setattr(working, "BEATS", 0.0)


@pytest.fixture
def words(monkeypatch):
    told: list[dict] = []
    monkeypatch.setattr("rentals.jobs.ticking.send_word", lambda task, **ids: told.append(ids))
    return told


def carry(work, run, **more):
    with only(nightly(work, **more)):
        return working.work_on(run_id=run.pk, now=now)


@pytest.mark.django_db
class TestWorkOn:
    def test_goes_through_the_steps_and_says_what_was_done(self):
        run = carry(lambda turn: one_by_one([1, 2, 3], lambda item: None), make_run())
        assert (run.state, run.done, run.total, run.failed, run.last_error) == ("done", 3, 3, 0, "")

    def test_tells_the_job_the_day_it_is_for(self):
        seen = []

        def work(turn):
            seen.append((turn.on, turn.now()))
            yield Step()

        carry(work, make_run(on=datetime.date(2026, 11, 20)))
        assert seen == [(datetime.date(2026, 11, 20), NOW)]

    def test_leaves_a_run_that_is_over(self):
        run = carry(lambda turn: iter([Step(done=1)]), make_run())
        assert carry(lambda turn: iter([Step(done=1)]), run) is None
        run.refresh_from_db()
        assert run.done == 1

    def test_has_the_others_done_when_one_fails_and_tries_what_is_left_later(self):
        done: list[int] = []

        def act(item):
            if item == 2:
                raise ValueError(item)
            done.append(item)

        run = carry(lambda turn: one_by_one([each for each in (1, 2, 3) if each not in done], act), make_run())
        assert (done, run.state, run.failed, run.attempts) == ([1, 3], "waiting", 1, 1)
        assert run.next_try_at > NOW
        assert run.last_error.startswith("1 could not be done")

    def test_gives_up_after_five_attempts_that_moved_nothing_and_says_why(self):
        def work(turn):
            yield Step()
            raise RuntimeError("Oldacre owes 40 dollars")

        run = make_run()
        for _ in range(5):
            JobRun.objects.filter(pk=run.pk).update(next_try_at=None)
            run = carry(work, run)
        assert (run.state, run.attempts) == ("given_up", 5)
        assert "RuntimeError" in run.last_error
        assert "Oldacre" not in run.last_error

    def test_gives_up_what_fails_every_time_though_it_is_tried_every_time(self):
        def act(item):
            raise ValueError(item)

        run, waits = make_run(), []
        for _ in range(working.MOST_ATTEMPTS):
            JobRun.objects.filter(pk=run.pk).update(next_try_at=None)
            run = carry(lambda turn: one_by_one([1, 2], act), run)
            waits.append(run.next_try_at and run.next_try_at - NOW)
        assert (run.state, run.last_error[:22]) == ("given_up", "2 could not be done; t")
        assert waits[0] < waits[1] < waits[2] < waits[3]

    def test_tries_anew_from_the_first_where_something_was_done(self):
        left = [1, 2, 3, 4, 5, 6, 7]

        def act(item):
            if item != left[0]:
                raise ValueError(item)

        run = make_run()
        for _ in range(7):
            JobRun.objects.filter(pk=run.pk).update(next_try_at=None)
            run = carry(lambda turn: one_by_one(list(left), act), run)
            left.pop(0)
        assert (run.state, run.done, run.failed) == ("done", 7, 0)

    def test_tries_later_what_the_database_took_back_and_says_so(self):
        def work(turn):
            with connection.cursor() as cursor, transaction.atomic():
                cursor.execute("SET LOCAL statement_timeout = 1")
                cursor.execute("SELECT pg_sleep(1)")
            yield Step()

        run = carry(work, make_run())
        assert (run.state, run.claim, run.attempts) == ("waiting", None, 1)
        assert run.next_try_at > NOW
        assert "QueryCanceled" in run.last_error

    def test_stops_what_was_asked_to_stop_while_its_worker_was_dead(self):
        did = []
        run = carry(lambda turn: iter(did), left_behind(attempts=1, done=4, stop_asked_at=NOW))
        assert (run.state, run.done, run.ended_at) == ("stopped", 4, NOW)

    def test_does_not_try_again_what_fails_after_it_was_asked_to_stop(self):
        def work(turn):
            yield Step()
            JobRun.objects.update(stop_asked_at=NOW)
            raise RuntimeError

        run = carry(work, make_run())
        assert (run.state, run.next_try_at) == ("stopped", None)
        assert "RuntimeError" in run.last_error

    def test_gives_up_at_once_where_a_person_has_to_act_first(self):
        def work(turn):
            yield Step()
            raise working.JobCannotRunError("Set the account first.")

        run = carry(work, make_run())
        assert (run.state, run.last_error) == ("given_up", "Set the account first.")

    def test_gives_up_a_job_that_is_no_longer_on_the_timetable(self):
        run = make_run(code="gone/away")
        assert carry(lambda turn: iter(()), run).last_error == "This job is no longer on the timetable."

    def test_does_not_swallow_a_database_that_went_away(self):
        def work(turn):
            yield Step()
            raise OperationalError("gone")

        run = make_run()
        with pytest.raises(OperationalError):
            carry(work, run)
        run.refresh_from_db()
        assert (run.state, run.attempts) == ("running", 1)
        assert carry(lambda turn: iter([Step(done=1)]), run).state == "done"

    def test_puts_a_long_run_down_for_the_others_and_has_it_taken_up_again(self, words, monkeypatch):
        monkeypatch.setattr(working, "SLICE", datetime.timedelta(0))
        left = [1, 2]

        def work(turn):
            while left:
                left.pop()
                yield Step(done=1)

        run = carry(work, make_run())
        assert (run.state, run.done, run.attempts, left, words) == ("waiting", 1, 0, [1], [{"run_id": run.pk}])
        assert carry(work, run).done == 2

    def test_never_puts_down_what_must_be_done_whole_but_ends_it_after_its_own_time(self, words, monkeypatch):
        monkeypatch.setattr(working, "SLICE", datetime.timedelta(0))
        taken_back = []
        hours = iter(range(100))

        def work(turn):
            try:
                for _ in range(5):
                    yield Step(said="On it.")
            finally:
                taken_back.append(True)

        def later():
            return NOW + datetime.timedelta(hours=next(hours))

        run = make_run()
        with only(nightly(work, whole=datetime.timedelta(hours=90))):
            assert working.work_on(run_id=run.pk, now=later).state == "done"
        run = make_run(on=TODAY + datetime.timedelta(days=1))
        with only(nightly(work, whole=datetime.timedelta(hours=3))):
            ended = working.work_on(run_id=run.pk, now=later)
        assert (ended.state, ended.last_error[:34], ended.said) == ("given_up", "It was not done after 3 hours and ", "")
        assert (taken_back, words) == ([True, True], [])

    def test_stops_at_the_next_step_when_asked_and_keeps_what_is_done(self):
        def work(turn):
            for _ in range(3):
                yield Step(done=1)
                JobRun.objects.update(stop_asked_at=NOW)

        run = carry(work, make_run())
        assert (run.state, run.done) == ("stopped", 2)

    def test_writes_nothing_once_another_has_the_run(self):
        def work(turn):
            yield Step(done=1)
            JobRun.objects.update(claim=uuid.uuid4())
            yield Step(done=1)

        run = carry(work, make_run())
        assert (run.state, run.done) == ("running", 1)

    @pytest.mark.parametrize("error", [working.JobCannotRunError("Set the account first."), RuntimeError()])
    def test_ends_nothing_that_another_has(self, error):
        def work(turn):
            yield Step()
            JobRun.objects.update(claim=uuid.uuid4())
            raise error

        run = carry(work, make_run())
        assert (run.state, run.last_error, run.ended_at, run.next_try_at) == ("running", "", None, None)

    def test_waits_for_the_day_before_and_for_what_it_comes_after(self):
        earlier = make_run(on=NOW.date() - datetime.timedelta(days=1))
        run, first = make_run(), make_run(code="try/first")
        work = lambda turn: iter([Step(done=1)])  # noqa: E731
        with only(nightly(work, after=("try/first",)), nightly(work, code="try/first")):
            assert working.work_on(run_id=run.pk, now=now) is None
            assert working.work_on(run_id=first.pk, now=now).state == "done"
            assert working.work_on(run_id=run.pk, now=now) is None
            assert working.work_on(run_id=earlier.pk, now=now).state == "done"
            assert working.work_on(run_id=run.pk, now=now).state == "done"

    def test_waits_until_its_next_try(self):
        run = make_run(next_try_at=NOW + datetime.timedelta(seconds=1))
        assert carry(lambda turn: iter([Step(done=1)]), run) is None

    def test_takes_up_what_a_worker_that_died_left_behind(self):
        run = carry(lambda turn: iter([Step(done=1)]), left_behind(attempts=1, done=4))
        assert (run.state, run.done) == ("done", 5)

    def test_gives_up_what_killed_its_worker_five_times(self):
        run = carry(lambda turn: iter([Step(done=1)]), left_behind(attempts=5))
        assert (run.state, run.last_error, run.done) == ("given_up", working.LEFT_BEHIND, 0)


@pytest.mark.django_db
class TestMakeRound:
    def make(self, work):
        JobMark.objects.get_or_create(code="try/round", defaults={"known_since": NOW})
        with only(Round("try/round", "Round", datetime.timedelta(seconds=60), work)):
            working.make_round(code="try/round", now=now)
        return JobMark.objects.get()

    def test_keeps_how_it_went(self):
        def fails(_now):
            raise RuntimeError

        assert (self.make(fails).failures, self.make(fails).failures) == (1, 2)
        mark = self.make(lambda now: None)
        assert (mark.failures, mark.last_error, mark.ended_at) == (0, "", NOW)

    def test_counts_what_ended_its_worker_as_failed(self):
        """A round that takes too long is ended with its process and can say nothing of it."""
        JobMark.objects.create(code="try/round", known_since=NOW, began_at=NOW)
        seen = []
        self.make(lambda now: seen.append(JobMark.objects.get()))
        assert (seen[0].failures, seen[0].last_error) == (1, working.ROUND_LEFT)
        assert (JobMark.objects.get().failures, JobMark.objects.get().last_error) == (0, "")


HOLDER = """
from rentals.jobs import leases
with leases.lease(leases.RUNS, 77) as held:
    print("held" if held else "refused", flush=True)
    time.sleep(60)
"""


@pytest.mark.django_db(transaction=True)
class TestLease:
    def test_is_held_once_and_ends_with_a_killed_process(self):
        with another_process(HOLDER) as holder:
            assert holder.stdout is not None
            assert holder.stdout.readline() == "held\n"
            with leases.lease(leases.RUNS, 77) as refused:
                assert refused is None
            holder.kill()
            assert self.comes_free(77)

    def comes_free(self, key: int) -> bool:
        ends = time.monotonic() + 10
        while time.monotonic() < ends:
            with leases.lease(leases.RUNS, key) as held:
                if held is not None:
                    return True
            time.sleep(0.05)
        return False

    def test_is_free_again_after_the_block_and_after_an_error_in_it(self):
        with pytest.raises(ValueError), leases.lease(leases.RUNS, 78):
            raise ValueError
        with leases.lease(leases.RUNS, 78) as held:
            assert held is not None

    def test_is_lost_with_its_connection(self):
        with leases.lease(leases.RUNS, 79) as held:
            assert held.is_held()
            connection.close()
            assert not held.is_held()

    def test_keeps_two_workers_from_one_run(self, race):
        run, inside, counts = make_run(), threading.Event(), []

        def work(turn):
            counts.append(1)
            inside.wait(timeout=2)
            yield Step(done=1)

        def second():
            time.sleep(0.3)
            try:
                return working.work_on(run_id=run.pk, now=now)
            finally:
                inside.set()

        with only(nightly(work)):
            outcomes = race(lambda: working.work_on(run_id=run.pk, now=now), second)
        run.refresh_from_db()
        assert (len(counts), run.state, run.done, outcomes[1]) == (1, "done", 1, None)

    def test_leaves_a_run_as_it_is_when_its_connection_was_ended(self):
        def work(turn):
            yield Step(done=1)
            with connection.cursor() as cursor:
                cursor.execute("SET idle_session_timeout = 50")
                time.sleep(0.5)
                cursor.execute("SELECT 1")

        run = make_run()
        with pytest.raises(DatabaseError):
            carry(work, run)
        connection.close()
        run.refresh_from_db()
        assert (run.state, run.next_try_at, run.done) == ("running", None, 1)
        assert carry(lambda turn: iter([Step(done=1)]), run).state == "done"

    def test_keeps_two_workers_from_one_job_though_they_have_two_days_of_it(self, race):
        """The later day was begun; then somebody had the earlier one done again."""
        later, inside, at_it = make_run(), threading.Event(), []

        def work(turn):
            at_it.append(turn.on)
            inside.wait(timeout=2)
            yield Step(done=1)

        def second():
            time.sleep(0.3)
            earlier = make_run(on=TODAY - datetime.timedelta(days=1))
            try:
                return working.work_on(run_id=earlier.pk, now=now)
            finally:
                inside.set()

        with only(nightly(work)):
            outcomes = race(lambda: working.work_on(run_id=later.pk, now=now), second)
            assert (at_it, outcomes[1]) == ([TODAY], None)
            earlier = JobRun.objects.exclude(pk=later.pk).get()
            assert working.work_on(run_id=earlier.pk, now=now).state == "done", "it is only put off"

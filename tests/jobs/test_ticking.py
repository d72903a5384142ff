"""What is due becomes a row once, whoever ticks and however often."""

import datetime
import uuid

import pytest
from django.db import IntegrityError, transaction

from rentals.jobs.models import JobMark, JobRun
from rentals.jobs.ticking import tick
from rentals.jobs.timetable import Round, Step
from rentals.jobs.working import work_on
from tests.jobs.timetables import nightly, only

SEEN = datetime.datetime(2026, 11, 21, 18, 0, tzinfo=datetime.UTC)  # noon in Chicago
HOUR = datetime.timedelta(hours=1)
DAY = datetime.timedelta(days=1)


def nothing(_turn):
    yield Step()


@pytest.fixture
def words(monkeypatch):
    """What workers were told."""
    told: list[tuple[str, dict]] = []
    monkeypatch.setattr("rentals.jobs.ticking.send_word", lambda task, **ids: told.append((task, ids)))
    return told


def days() -> list[str]:
    return [on.isoformat() for on in JobRun.objects.order_by("due_at").values_list("on", flat=True)]


@pytest.mark.django_db
class TestTick:
    def test_begins_with_the_first_night_after_the_job_became_known(self, words):
        with only(nightly(nothing)):
            tick(now=SEEN)
            assert (days(), words) == ([], [])
            tick(now=SEEN + DAY)
        assert days() == ["2026-11-22"]
        assert [task for task, _ in words] == ["rentals.jobs.tasks.work_on"]

    def test_enters_a_day_once_however_often_it_ticks(self, words):
        with only(nightly(nothing)):
            for moment in (SEEN, SEEN + DAY, SEEN + DAY, SEEN + DAY + HOUR):
                tick(now=moment)
        assert days() == ["2026-11-22"]

    def test_catches_up_what_a_clock_that_slept_three_days_missed_in_order(self, words):
        with only(nightly(nothing, each_day=True), nightly(nothing, code="try/last")):
            tick(now=SEEN)
            tick(now=SEEN + 3 * DAY)
        assert list(JobRun.objects.order_by("due_at", "code").values_list("code", "on__day")) == [
            ("try/it", 22),
            ("try/it", 23),
            ("try/it", 24),
            ("try/last", 24),
        ]
        assert [ids["run_id"] for _, ids in words] == list(JobRun.objects.order_by("due_at", "pk").values_list("pk", flat=True))

    def test_does_nothing_twice_when_the_clock_is_set_back_two_hours(self, words):
        with only(nightly(nothing), Round("try/round", "Round", datetime.timedelta(seconds=60), lambda now: None)):
            tick(now=SEEN)
            night = datetime.datetime(2026, 11, 22, 8, 15, tzinfo=datetime.UTC)
            tick(now=night)
            words.clear()
            tick(now=night - 2 * HOUR)
            tick(now=night)
        assert days() == ["2026-11-22"]
        rounds = [ids for task, ids in words if task.endswith("make_round")]
        assert len(rounds) == 2, "a mark in the future must not silence the round until the clock has caught up"

    def test_goes_on_after_a_clock_that_was_a_year_ahead_for_a_moment(self, words):
        with only(nightly(nothing, each_day=True)):
            tick(now=SEEN)
            tick(now=SEEN + DAY)
            tick(now=SEEN + 366 * DAY)
            tick(now=SEEN + 2 * DAY)
            tick(now=SEEN + 3 * DAY)
        assert days()[:3] == ["2026-11-22", "2026-11-23", "2026-11-24"]

    def test_begins_though_the_clock_was_ahead_when_the_job_became_known(self, words):
        with only(nightly(nothing)):
            tick(now=SEEN + 100 * DAY)
            tick(now=SEEN)
            tick(now=SEEN + DAY)
        assert days() == ["2026-11-22"]

    @pytest.mark.parametrize(
        "facts",
        [
            {"state": "waiting", "next_try_at": SEEN + 300 * DAY},
            {"state": "running", "claim": uuid.uuid4(), "began_at": SEEN + 300 * DAY, "heartbeat_at": SEEN + 300 * DAY},
        ],
    )
    def test_tells_of_what_a_clock_that_was_ahead_put_off(self, words, facts):
        run = JobRun.objects.create(code="try/it", on=SEEN.date(), due_at=SEEN, attempts=1, **facts)
        with only(nightly(nothing)):
            tick(now=SEEN + HOUR)
            assert ("rentals.jobs.tasks.work_on", {"run_id": run.pk}) in words
            assert work_on(run_id=run.pk, now=lambda: SEEN + HOUR).state == "done"

    def test_tells_a_round_once_in_its_time(self, words):
        with only(Round("try/round", "Round", datetime.timedelta(seconds=60), lambda now: None)):
            for second in (0, 20, 40, 60, 80, 100, 120):
                tick(now=SEEN + datetime.timedelta(seconds=second))
        assert len(words) == 2
        assert JobMark.objects.get().told_at == SEEN + datetime.timedelta(seconds=120)

    def test_tells_again_of_what_waits_and_of_what_fell_silent(self, words):
        with only(nightly(nothing)):
            tick(now=SEEN)
            tick(now=SEEN + DAY)
            words.clear()
            tick(now=SEEN + DAY + HOUR)
        assert len(words) == 1


@pytest.mark.django_db(transaction=True)
def test_two_clocks_at_once_enter_one_row_and_tell_a_round_once(race, words):
    with only(nightly(nothing), Round("try/round", "Round", datetime.timedelta(seconds=60), lambda now: None)):
        tick(now=SEEN)
        words.clear()
        outcomes = race(*[lambda: tick(now=SEEN + DAY)] * 4)
    assert not [each for each in outcomes if isinstance(each, Exception)]
    assert days() == ["2026-11-22"]
    assert len([task for task, _ in words if task.endswith("make_round")]) == 1


@pytest.mark.django_db
class TestTheDatabase:
    def test_refuses_a_second_row_for_a_day(self):
        JobRun.objects.create(code="a", on=SEEN.date(), due_at=SEEN)
        with pytest.raises(IntegrityError, match="job_run_once_a_day"), transaction.atomic():
            JobRun.objects.create(code="a", on=SEEN.date(), due_at=SEEN)

    @pytest.mark.parametrize(
        ("facts", "name"),
        [
            ({"state": "done"}, "job_run_ended_has_its_time"),
            ({"state": "waiting", "ended_at": SEEN}, "job_run_ended_has_its_time"),
            ({"state": "running"}, "job_run_running_is_claimed"),
            ({"state": "given_up", "ended_at": SEEN}, "job_run_given_up_says_why"),
        ],
    )
    def test_refuses_a_state_without_what_belongs_to_it(self, facts, name):
        with pytest.raises(IntegrityError, match=name), transaction.atomic():
            JobRun.objects.create(code="a", on=SEEN.date(), due_at=SEEN, **facts)

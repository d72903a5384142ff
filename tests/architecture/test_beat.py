"""The clock only ticks, and whatever stands on the timetable may be asked for twice."""

import pytest
from django.conf import settings

from billing.models import JournalEntry
from rentals.celery import app
from rentals.documents.models import Document, OutboxMessage
from rentals.jobs import timetable, working
from rentals.jobs.models import JobMark, JobRun
from rentals.runtime import clock
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user
from rentals.staff.policy import CAPABILITIES, may


def test_beat_calls_only_what_is_there():
    app.loader.import_default_modules()
    assert {str(entry["task"]) for entry in settings.CELERY_BEAT_SCHEDULE.values()} <= set(app.tasks)


@pytest.mark.django_db
@pytest.mark.parametrize("code", sorted(timetable.DAY_JOBS))
def test_every_job_of_the_day_runs_twice_in_an_office_without_work(code: str):
    run = JobRun.objects.create(code=code, on=clock.today(), due_at=clock.now())
    for _ in range(2):
        JobRun.objects.update(state="waiting", ended_at=None)
        done = working.work_on(run_id=run.pk, now=clock.now)
        assert done is not None
        assert (done.state, done.last_error) == ("done", "")
    assert nothing_was_written()


@pytest.mark.django_db
@pytest.mark.parametrize("code", sorted(timetable.ROUNDS))
def test_every_round_is_made_twice_in_an_office_without_work(code: str):
    JobMark.objects.create(code=code, known_since=clock.now())
    for _ in range(2):
        assert working.make_round(code=code, now=clock.now)
    assert JobMark.objects.get().failures == 0
    assert nothing_was_written()


def nothing_was_written() -> bool:
    return not (JournalEntry.objects.exists() or OutboxMessage.objects.exists() or Document.objects.exists())


@pytest.mark.django_db
def test_jobs_act_in_the_name_of_one_who_can_do_nothing_at_a_desk():
    jobs = ensure_system_user()
    assert ensure_system_user() == jobs
    assert User.objects.filter(pk=jobs.pk, is_active=False).count() == 1
    assert not jobs.has_usable_password()
    assert not any(may(jobs, capability) for capability in CAPABILITIES)

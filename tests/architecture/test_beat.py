"""What beat asks for exists, and may be asked for twice."""

import pytest
from django.conf import settings

from billing.models import JournalEntry
from rentals.celery import app
from rentals.documents.models import Document, OutboxMessage
from rentals.staff.models import User
from rentals.staff.operations import ensure_system_user
from rentals.staff.policy import CAPABILITIES, may


@pytest.mark.django_db
@pytest.mark.parametrize("name", settings.CELERY_BEAT_SCHEDULE)
def test_every_task_of_the_schedule_runs_twice_in_an_office_without_work(name: str):
    app.loader.import_default_modules()
    task = app.tasks[settings.CELERY_BEAT_SCHEDULE[name]["task"]]
    for _ in range(2):
        task.apply(throw=True)
    assert not JournalEntry.objects.exists()
    assert not OutboxMessage.objects.exists()
    assert not Document.objects.exists()


@pytest.mark.django_db
def test_jobs_act_in_the_name_of_one_who_can_do_nothing_at_a_desk():
    jobs = ensure_system_user()
    assert ensure_system_user() == jobs
    assert User.objects.filter(pk=jobs.pk, is_active=False).count() == 1
    assert not jobs.has_usable_password()
    assert not any(may(jobs, capability) for capability in CAPABILITIES)

"""Examples for addresses of this room (see tests/architecture/test_urls.py)."""

import datetime

from rentals.jobs.models import JobRun

NOW = datetime.datetime(2026, 11, 24, 9, 0, tzinfo=datetime.UTC)


def job_run_id() -> int:
    """A run that was given up."""
    run, _ = JobRun.objects.get_or_create(
        code="billing/verify",
        on=NOW.date(),
        defaults={"due_at": NOW, "state": "given_up", "ended_at": NOW, "last_error": "Two checks found something."},
    )
    return run.pk


EXAMPLES = {"job_run_id": job_run_id}

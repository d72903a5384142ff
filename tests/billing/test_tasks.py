"""What beat and the broker call by name is there under that name, and does its work by ids alone."""

from celery import current_app
from django.conf import settings

from billing import tasks
from billing.models import BillingRun, Charge
from rentals.runtime import clock


class TestNames:
    def test_beat_calls_only_what_is_there(self):
        current_app.autodiscover_tasks(force=True)
        called = {str(entry["task"]) for entry in settings.CELERY_BEAT_SCHEDULE.values()}
        assert {"billing.tasks.bill_tonight", "billing.tasks.sweep_billing_runs"} <= called
        assert called <= set(current_app.tasks)
        assert "billing.tasks.continue_billing_run" in current_app.tasks


class TestContinueBillingRun:
    def test_bills_what_the_run_says_and_may_come_twice(self, agreement, bookkeeper):
        run = BillingRun.objects.create(through_on=clock.today(), asked_at=clock.now(), asked_by=bookkeeper)
        tasks.continue_billing_run(run_id=run.pk)
        billed = Charge.objects.count()
        tasks.continue_billing_run(run_id=run.pk)
        run.refresh_from_db()
        assert (run.state, run.billed, Charge.objects.count()) == ("done", billed, billed)
        assert billed > 0


class TestBillTonight:
    def test_starts_one_run_and_not_another_while_it_waits(self, agreement):
        tasks.bill_tonight()
        tasks.bill_tonight()
        tasks.sweep_billing_runs()
        assert BillingRun.objects.count() == 1

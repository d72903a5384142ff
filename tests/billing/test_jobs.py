"""The books' jobs, as a worker does them."""

import datetime

from billing import tasks, verify
from billing.checking import Check
from billing.models import BillingRun, Charge
from rentals.celery import app
from rentals.jobs import working
from rentals.jobs.models import JobRun
from rentals.runtime import clock


def work(code: str) -> JobRun:
    run, _ = JobRun.objects.update_or_create(
        code=code, on=clock.today(), defaults={"due_at": clock.now(), "state": "waiting", "ended_at": None}
    )
    done = working.work_on(run_id=run.pk, now=clock.now)
    assert done is not None
    return done


class TestContinueBillingRun:
    def test_bills_what_the_run_says_and_may_come_twice(self, agreement, bookkeeper):
        run = BillingRun.objects.create(through_on=clock.today(), asked_at=clock.now(), asked_by=bookkeeper)
        tasks.continue_billing_run(run_id=run.pk)
        billed = Charge.objects.count()
        tasks.continue_billing_run(run_id=run.pk)
        run.refresh_from_db()
        assert (run.state, run.billed, Charge.objects.count()) == ("done", billed, billed)
        assert billed > 0

    def test_is_there_under_the_name_that_workers_are_told(self):
        app.loader.import_default_modules()
        assert {"billing.tasks.continue_billing_run", "billing.tasks.match_certain_lines"} <= set(app.tasks)


class TestBill:
    def test_bills_everything_due_and_says_of_how_many(self, agreement):
        done = work("billing/bill")
        assert (done.state, done.done, done.total) == ("done", 1, 1)
        billed = Charge.objects.count()
        assert billed > 0
        work("billing/bill")
        assert Charge.objects.count() == billed

    def test_bills_a_night_that_was_missed_through_its_own_day(self, agreement):
        on = clock.today() - datetime.timedelta(days=3)
        run = JobRun.objects.create(code="billing/bill", on=on, due_at=clock.now())
        working.work_on(run_id=run.pk, now=clock.now)
        assert BillingRun.objects.get().through_on == on


class TestVerifyBooks:
    def test_is_given_up_to_a_person_when_a_check_finds_something(self, db, monkeypatch):
        monkeypatch.setattr(verify, "CHECKS", [*verify.CHECKS, Check(1, "Nothing is amiss", lambda: ["entry 7 is amiss"])])
        done = work("billing/verify")
        assert done.state == "given_up"
        assert done.last_error.startswith("1 of ")
        assert "verify_books" in done.last_error

"""The pages about jobs: who may look, who may act, and what each says."""

import datetime

import pytest
from django.urls import reverse

from rentals.jobs.models import JobMark, JobRun
from rentals.runtime import clock
from tests.jobs.examples import NOW, job_run_id
from tests.jobs.timetables import nightly, only


def text(answer) -> str:
    assert answer.status_code == 200
    return " ".join(answer.content.decode().split())


@pytest.fixture
def words(monkeypatch):
    told: list[dict] = []
    monkeypatch.setattr("rentals.jobs.ticking.send_word", lambda task, **ids: told.append(ids))
    return told


class TestJobs:
    def test_shows_what_was_given_up_first_and_why(self, client_as):
        job_run_id()
        page = text(client_as("bookkeeper").get(reverse("jobs")))
        assert "Verify the books, Nov 24, 2026, was given up." in page.replace("<strong>", "").replace("</strong>", "")
        assert "Two checks found something." in page

    def test_says_that_no_worker_makes_a_round(self, client_as):
        JobMark.objects.create(code="outbox/send_due", known_since=clock.now() - datetime.timedelta(hours=1))
        assert "No worker has made it" in text(client_as("manager").get(reverse("jobs")))

    def test_offers_to_run_to_those_who_may_only(self, client_as):
        assert "Run now" in text(client_as("administrator").get(reverse("jobs")))
        assert "Run now" not in text(client_as("bookkeeper").get(reverse("jobs")))

    def test_asks_few_questions_however_much_ran(self, client_as, django_assert_max_num_queries):
        for days in range(30):
            JobRun.objects.create(code="billing/verify", on=NOW.date() - datetime.timedelta(days=days), due_at=NOW)
        client = client_as("administrator")
        client.get(reverse("jobs"))
        for name in ("jobs", "job_runs"):
            with django_assert_max_num_queries(12):
                client.get(reverse(name))


class TestRunsPage:
    def test_says_of_what_failed_that_it_waits_and_when_it_is_tried_again(self, client_as):
        later = datetime.datetime(2026, 11, 24, 15, 30, tzinfo=datetime.UTC)  # half past nine in Chicago
        run = JobRun.objects.create(
            code="try/it", on=NOW.date(), due_at=NOW, attempts=2, next_try_at=later, last_error="It stopped with KeyError."
        )
        page = text(client_as("manager").get(reverse("job_run_progress", args=[run.pk])))
        assert "Waiting" in page
        assert "Running" not in page
        assert "It is tried again by itself, Nov 24, 2026, 9:30 AM. It stopped with KeyError." in page

    def test_names_a_job_that_is_no_more(self, client_as):
        run = JobRun.objects.create(code="old/left_over", on=NOW.date(), due_at=NOW)
        assert "Old: left over" in text(client_as("manager").get(reverse("job_run", args=[run.pk])))


class TestRunNow:
    def post(self, client, code="try/it"):
        return client.post(reverse("job_run_now"), {"code": code})

    def test_tells_a_worker_and_shows_how_far_it_is(self, client_as, words, django_capture_on_commit_callbacks):
        with only(nightly(lambda turn: iter(()))):
            answer = self.post(client_as("manager"))
        run = JobRun.objects.get()
        assert (run.on, run.state, words) == (clock.today(), "waiting", [{"run_id": run.pk}])
        assert answer.url == reverse("job_run", args=[run.pk])

    def test_sent_twice_it_is_one_run(self, client_as, words):
        client = client_as("manager")
        with only(nightly(lambda turn: iter(()))):
            self.post(client)
            self.post(client)
        assert (JobRun.objects.count(), len(words)) == (1, 1)

    def test_knows_no_other_job(self, client_as):
        assert self.post(client_as("manager"), code="rm/rf").status_code == 404

    def test_is_not_for_everybody(self, client_as):
        assert self.post(client_as("bookkeeper")).status_code == 403


class TestRunAgain:
    def test_begins_anew_and_remembers_who_asked(self, client_as, words):
        client = client_as("manager")
        key = job_run_id()
        client.post(reverse("job_run_again", args=[key]))
        run = JobRun.objects.get()
        assert (run.state, run.attempts, run.last_error, run.asked_by) == ("waiting", 0, "", client.user)
        assert words == [{"run_id": key}]


class TestStop:
    def test_stops_at_once_what_waits(self, client_as):
        run = JobRun.objects.create(code="try/it", on=NOW.date(), due_at=NOW)
        client_as("manager").post(reverse("job_run_stop", args=[run.pk]))
        run.refresh_from_db()
        assert run.state == "stopped"

    def test_says_so_when_it_is_over(self, client_as):
        answer = client_as("manager").post(reverse("job_run_stop", args=[job_run_id()]), follow=True)
        assert "over already" in text(answer)


def test_a_page_of_a_run_moves_until_it_is_over(client_as):
    client = client_as("bookkeeper")
    run = JobRun.objects.create(code="try/it", on=NOW.date(), due_at=NOW)
    address = reverse("job_run_progress", args=[run.pk])
    assert "every 2s" in text(client.get(address))
    JobRun.objects.update(state="done", ended_at=NOW)
    assert "every 2s" not in text(client.get(address))


def test_what_moves_offers_what_can_be_done_now(client_as):
    client = client_as("manager")
    run = JobRun.objects.create(code="try/it", on=NOW.date(), due_at=NOW)
    address = reverse("job_run_progress", args=[run.pk])
    under_way = text(client.get(address))
    assert (">Stop<" in under_way, "Run again" in under_way) == (True, False)
    JobRun.objects.update(state="done", ended_at=NOW)
    over = text(client.get(address))
    assert (">Stop<" in over, "Run again" in over, "Ended" in over) == (False, True, True)
    assert "Run again" not in text(client_as("bookkeeper").get(address))

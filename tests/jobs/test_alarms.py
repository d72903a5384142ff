"""What did not happen by itself is seen by a person: a planted fault for each alarm, on the page of jobs and on the first."""

import datetime

import pytest
from django.core.cache import cache
from django.urls import reverse

from rentals.documents import operations
from rentals.documents.models import OutboxMessage
from rentals.jobs import alarms, queries, working
from rentals.jobs.models import JobMark, JobRun
from rentals.runtime import clock
from rentals.staff.models import NumberSeries
from tests.documents import samples
from tests.jobs.timetables import nightly, only

MINUTE = datetime.timedelta(minutes=1)
NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def mail(**changes) -> OutboxMessage:
    fields = {"key": "a", "kind": "overdue", "about": "household/42", "channel": "mail", "queued_at": NOW}
    return OutboxMessage.objects.create(**{**fields, "to_name": "Jo", "to_address": "jo@example.com", **changes})


def document(**changes):
    asked = operations.ask_for_document(
        key="a", kind="overdue", about="household/42", title="Overdue notice", page=samples.overdue(), now=NOW
    )
    type(asked).objects.update(**changes)
    return asked


def said(minutes: float) -> list[str]:
    return alarms.list_alarms(now=NOW + minutes * MINUTE)


@pytest.mark.django_db
class TestListAlarms:
    def test_finds_nothing_in_an_office_that_works(self):
        mail(next_try_at=NOW + 30 * MINUTE)
        document(next_try_at=NOW + 30 * MINUTE)
        assert said(6) == []

    def test_a_mail_that_nobody_sends_for_five_minutes(self):
        mail()
        assert said(4) == []
        (sentence,) = said(6)
        assert sentence.startswith("1 mail is due since Nov 24, 2026, 10:00 AM and not done.")

    def test_a_mail_whose_sender_is_gone_and_not_one_that_is_being_sent(self):
        message = mail(state="sending", claimed_at=NOW + 5 * MINUTE)
        assert said(9) == []
        OutboxMessage.objects.filter(pk=message.pk).update(claimed_at=NOW)
        assert len(said(9)) == 1

    def test_not_a_mail_that_waits_for_the_morning(self):
        mail(quiet_from=datetime.time(9, 0), quiet_until=datetime.time(11, 0))
        assert said(30) == []
        assert len(said(70)) == 1

    def test_a_document_that_nobody_makes_for_five_minutes(self):
        document()
        assert said(4) == []
        assert said(6)[0].startswith("1 document is due since Nov 24, 2026, 10:00 AM and not done.")

    def test_rounds_that_nobody_makes_or_that_fail(self):
        JobMark.objects.create(code="outbox/send_due", known_since=NOW)
        assert said(4) == []
        assert "1 of" in said(6)[0]
        JobMark.objects.update(ended_at=NOW + 6 * MINUTE, failures=3)
        assert said(6) == ["What fails again and again: Send mails that are due."]


@pytest.mark.django_db
class TestGivenUp:
    def run(self, on: int, state: str) -> None:
        error = "It broke." if state == "given_up" else ""
        JobRun.objects.create(
            code="try/it", on=datetime.date(2026, 11, on), due_at=NOW, state=state, ended_at=NOW, last_error=error
        )

    def test_is_a_persons_until_a_later_night_has_done_what_it_could_not(self):
        self.run(23, "given_up")
        self.run(24, "done")
        with only(nightly(None)):
            assert not queries.list_given_up().exists()
        with only(nightly(None, each_day=True)):
            assert queries.list_given_up().count() == 1

    def test_stays_a_persons_when_the_later_night_fails_too(self):
        self.run(23, "given_up")
        self.run(24, "given_up")
        with only(nightly(None)):
            assert queries.list_given_up().count() == 2


class TestWhoSeesIt:
    def first_page(self, client):
        cache.clear()
        return next(act for act in client.get("/").context["acts"] if act.label == "Jobs")

    def test_a_gap_in_the_numbers_found_at_night_stands_on_both_pages(self, client_as):
        """By the real job of the night. That each of its checks finds its fault, tests/billing/test_verify.py shows."""
        client = client_as("bookkeeper")
        assert (self.first_page(client).count, self.first_page(client).trouble) == (0, "")
        NumberSeries.objects.update_or_create(name="payment", defaults={"last_number": 9})
        run = JobRun.objects.create(code="billing/verify", on=clock.today(), due_at=clock.now())
        assert working.work_on(run_id=run.pk, now=clock.now).state == "given_up"
        assert (self.first_page(client).count, self.first_page(client).trouble) == (1, "1 given up")
        page = client.get(reverse("jobs")).content.decode()
        assert "1 of " in page
        assert "checks found something that must never be" in page

    def test_a_mail_that_lies_stands_on_both_pages(self, client_as):
        client = client_as("administrator")
        mail(queued_at=clock.now() - 6 * MINUTE)
        act = self.first_page(client)
        assert (act.count, act.trouble) == (1, "1 not done in time")
        assert "1 mail is due since" in client.get(reverse("jobs")).content.decode()

    def test_who_has_no_business_there_does_not(self, client_as):
        assert "Jobs" not in [act.label for act in client_as("specialist").get("/").context["acts"]]

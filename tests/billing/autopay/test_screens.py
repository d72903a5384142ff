"""The screens of autopay: what they say, what they refuse and how, who may do what, and how few questions they ask."""

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from billing import charges
from billing.models import AutopayAnswers, AutopayAuthorisation, AutopayNotice, AutopayRun, AutopaySetup
from rentals.runtime import clock
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import CANARY, DEBIT_ON, NOW, ROUTING, TODAY, authorised, set_up, told
from tests.billing.autopay.test_answering import take, trace_of
from tests.billing.autopay.test_running import let_out, prepare, sent_run
from tests.billing.factories import AgreementFactory, GuardianFactory, HouseholdFactory
from tests.factories import BookkeeperFactory

MOST_QUERIES = 12


@pytest.fixture(autouse=True)
def march(monkeypatch):
    """It is March 10, 2026, noon in Chicago."""
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    monkeypatch.setattr(clock, "now", lambda: NOW)


@pytest.fixture
def client(client_as):
    return client_as("bookkeeper")


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def page(client, name, *args, status=200):
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == status
    return text(answer)


def send(client, name, *args, **form):
    return client.post(reverse(name, args=args), form, follow=True)


class TestSetup:
    FORM = {
        "bank_name": "EXAMPLE BANK ONE",
        "bank_routing": "056005075",
        "origin": "1990000001",
        "company_name": "EXAMPLE RENTAL",
        "company_id": "1990000001",
        "approval_limit": "1,000.00",
    }

    def test_is_written_by_a_manager_once(self, client_as):
        manager = client_as("manager")
        assert "written down" in text(send(manager, "autopay_setup", **self.FORM))
        send(manager, "autopay_setup", **self.FORM | {"company_name": "EXAMPLE MUSIC"})
        assert AutopaySetup.objects.get().company_name == "EXAMPLE MUSIC"

    def test_not_by_others(self, client):
        assert client.get(reverse("autopay_setup")).status_code == 403

    @pytest.mark.parametrize(
        ("field", "value", "said"),
        [
            ("bank_routing", "056005076", "last digit does not fit"),
            ("company_id", "199", "Exactly ten"),
            ("company_name", "Zoë’s", "Capital letters"),
        ],
    )
    def test_says_what_is_wrong(self, client_as, field, value, said):
        answer = client_as("manager").post(reverse("autopay_setup"), self.FORM | {field: value})
        assert answer.status_code == 422
        assert said in text(answer)


class TestAuthorise:
    def form(self, household, **changes):
        return {
            "guardian": household.guardians.first().pk,
            "account_type": "checking",
            "routing_number": "0764 0125 1",
            "account_number": CANARY,
            "account_number_again": CANARY,
            "account_name": "",
            "channel": "in_person",
            "account_checked": "",
            "authorised_on": "3/10/2026",
            "is_signed": "on",
            "request_key": "5b9f7e0e-24a2-4f0b-8d7e-0f2f4a1c9a11",
        } | changes

    @pytest.fixture
    def household(self, setup):
        household = HouseholdFactory(name="Rivera")
        GuardianFactory(household=household, is_primary=True)
        return household

    def test_puts_a_family_on_autopay_once(self, client_as, household):
        specialist = client_as("specialist")
        assert "I authorize" in page(specialist, "autopay_authorise", household.pk)
        said = text(send(specialist, "autopay_authorise", household.pk, **self.form(household)))
        assert "is on autopay" in said
        assert "…5518" in said
        send(specialist, "autopay_authorise", household.pk, **self.form(household))
        assert AutopayAuthorisation.objects.get().routing_number == ROUTING

    @pytest.mark.parametrize(
        ("changes", "said"),
        [
            ({"account_number_again": "1234567"}, "differ"),
            ({"account_number": "12", "account_number_again": "12"}, "3 to 17 digits"),
            ({"routing_number": "12345"}, "nine digits, this one has 5"),
            ({"is_signed": ""}, "Tick"),
            ({"authorised_on": "4/1/2026"}, "Nobody signs in the future"),
            ({"channel": "online"}, "how it was checked"),
        ],
    )
    def test_says_what_is_wrong_and_keeps_the_rest(self, client, household, changes, said):
        answer = client.post(reverse("autopay_authorise", args=[household.pk]), self.form(household, **changes))
        assert answer.status_code == 422
        assert said in text(answer)
        assert AutopayAuthorisation.objects.count() == 0

    def test_not_by_a_technician(self, client_as, household):
        assert client_as("technician").get(reverse("autopay_authorise", args=[household.pk])).status_code == 403

    def test_ends_with_a_reason(self, client, authorisation):
        household = authorisation.household
        answer = client.post(reverse("autopay_end", args=[household.pk]), {"how": "revoked", "why": ""})
        assert answer.status_code == 422
        assert "has ended" in text(send(client, "autopay_end", household.pk, how="revoked", why="Called on Monday"))
        assert "Called on Monday" in page(client, "autopay_household", household.pk)


class TestRun:
    def test_from_telling_to_the_file(self, client, authorisation):
        assert "Tell the families of Mar 23, 2026 now" in page(client, "autopay")
        assert "1 family is told" in text(send(client, "autopay_tell"))
        AutopayNotice.objects.update(closed_at=NOW)
        told(authorisation)
        assert "at most $26.65" in page(client, "autopay") or "Told for" in page(client, "autopay")
        said = text(send(client, "autopay", wanted_on="3/12/2026"))
        assert "Nothing has left yet" in said
        run = AutopayRun.objects.get()
        assert "Let out $26.65" in said
        assert client.get(reverse("autopay_file", args=[run.pk])).status_code == 404
        assert "is let out" in text(send(client, "autopay_act", run.pk, act="let_out"))
        first = b"".join(client.get(reverse("autopay_file", args=[run.pk])).streaming_content)
        assert first.startswith(b"101 ")
        send(client, "autopay_act", run.pk, act="let_out")
        assert b"".join(client.get(reverse("autopay_file", args=[run.pk])).streaming_content) == first
        assert "the bank has not said yet" in page(client, "autopay").lower()
        assert "is settled" in text(send(client, "autopay_act", run.pk, act="settled"))

    def test_nothing_to_debit_says_so(self, client, setup):
        answer = client.post(reverse("autopay"), {"wanted_on": "3/12/2026"})
        assert answer.status_code == 422
        assert "Nothing is to be debited" in text(answer)

    def test_above_the_limit_another_person_approves(self, client, client_as):
        set_up(approval_limit=1)
        told(authorised())
        send(client, "autopay", wanted_on="3/12/2026")
        run = AutopayRun.objects.get()
        assert "Another person has to approve it" in page(client, "autopay_run", run.pk)
        assert "another person has to approve it" in text(send(client, "autopay_act", run.pk, act="approve"))
        assert "cannot be let out" in text(send(client, "autopay_act", run.pk, act="let_out"))
        other = client_as("manager")
        assert "is approved" in text(send(other, "autopay_act", run.pk, act="approve"))
        assert "is let out" in text(send(client, "autopay_act", run.pk, act="let_out"))

    def test_cancelled(self, client, authorisation):
        told(authorisation)
        run = prepare()
        assert "is cancelled" in text(send(client, "autopay_act", run.pk, act="cancel"))
        assert "cannot be let out" in text(send(client, "autopay_act", run.pk, act="let_out"))

    def test_an_unknown_act_changes_nothing(self, client, authorisation):
        told(authorisation)
        run = prepare()
        send(client, "autopay_act", run.pk, act="delete")
        run.refresh_from_db()
        assert run.state == "ready"

    @pytest.mark.parametrize("role", ["specialist", "technician"])
    def test_is_the_bookkeepers(self, client_as, setup, role):
        run = sent_run()
        other = client_as(role)
        for name in ("autopay_run", "autopay_file"):
            assert other.get(reverse(name, args=[run.pk])).status_code == 403
        assert other.post(reverse("autopay_act", args=[run.pk]), {"act": "settled"}).status_code == 403

    def test_needs_the_token_of_the_form(self, client_as, setup):
        run = sent_run()
        strict = client_as("bookkeeper", enforce_csrf_checks=True)
        assert strict.post(reverse("autopay_act", args=[run.pk]), {"act": "settled"}).status_code == 403


class TestReturns:
    def upload(self, client, content, name="returns.ach"):
        return client.post(reverse("autopay_returns"), {"file": SimpleUploadedFile(name, content)}, follow=True)

    def test_shows_what_it_brings_then_takes_it_in_once(self, client, setup):
        run = sent_run()
        said = text(self.upload(client, returns(run, (trace_of(run), "R01"))))
        assert "Nothing is taken in yet" in said
        assert "Presented again with the next run" in said
        file = AutopayAnswers.objects.get()
        said = text(send(client, "autopay_answers", file.pk))
        assert "1 debit came back" in said
        assert "Taken in" in text(send(client, "autopay_answers", file.pk))
        assert "To be presented again 1" in page(client, "autopay")

    @pytest.mark.parametrize(
        ("content", "said"),
        [(b"", "Line 1"), (b"<html>", "Line 1"), (b"9" * 94, "Line 1")],
    )
    def test_a_bad_file_is_refused_with_its_line(self, client, setup, content, said):
        answer = self.upload(client, content, "wrong.txt")
        assert answer.status_code == 422
        assert "wrong.txt is not taken in" in text(answer)
        assert said in text(answer)

    def test_an_unknown_trace_number(self, client, setup):
        run = sent_run()
        answer = self.upload(client, returns(run, ("056005079999999", "R01")))
        assert answer.status_code == 422
        assert "Line 3: trace number 056005079999999" in text(answer)

    def test_corrections_show_their_last_digits_only(self, client, setup):
        run = sent_run()
        self.upload(client, returns(run, corrections=[(trace_of(run), "C01", "8800112233")]))
        said = text(send(client, "autopay_answers", AutopayAnswers.objects.get().pk))
        assert "…5518" in said
        assert "…2233" in said
        assert "8800112233" not in said


class TestRates:
    def test_alarm_at_the_line(self, client, setup, monkeypatch):
        run = sent_run()
        take(returns(run, (trace_of(run), "R10")), on=DEBIT_ON)
        monkeypatch.setattr(clock, "today", lambda: DEBIT_ON)
        said = page(client, "autopay")
        assert "Not authorized 1 1 100.000% 0.5% At the line: call the bank" in said


class TestQueries:
    """As few questions with many families as with one."""

    def many(self, count):
        for _number in range(count):
            agreement = AgreementFactory()
            charges.charge_period(agreement=agreement, period=0, acting_user=BookkeeperFactory(), now=NOW)
            told(authorised(agreement.household, number=f"55500{agreement.pk:04}"))

    def test_of_the_overview_and_a_run(self, client, setup, django_assert_max_num_queries):
        self.many(12)
        with django_assert_max_num_queries(MOST_QUERIES):
            page(client, "autopay")
        run = let_out(prepare())
        with django_assert_max_num_queries(MOST_QUERIES):
            page(client, "autopay_run", run.pk)
        household = run.entries.first().household
        with django_assert_max_num_queries(MOST_QUERIES):
            page(client, "autopay_household", household.pk)
        with django_assert_max_num_queries(MOST_QUERIES):
            page(client, "autopay_runs")

    def test_of_the_overview_with_debits_to_present_again(self, client, setup, django_assert_max_num_queries):
        """The first page after signing in writes the session besides; this is the second."""
        self.many(3)
        run = let_out(prepare())
        take(returns(run, *((entry.trace, "R01") for entry in run.entries.all())))
        self.many(3)
        assert "To be presented again 3" in page(client, "autopay")
        with django_assert_max_num_queries(MOST_QUERIES):
            page(client, "autopay")

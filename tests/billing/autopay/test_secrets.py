"""An account number is nowhere in clear: not in a table, a log, a page, the cache, a mail, or the answer to a wrong form."""

import logging
import re
import uuid
from pathlib import Path

import pytest
from celery.signals import before_task_publish
from django.conf import settings
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.urls import reverse

from billing import charges
from billing.autopay import answering, noticing
from billing.models import AutopayAnswers, AutopayAuthorisation, AutopayRun
from rentals.documents import pdf
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document, OutboxMessage
from rentals.runtime import clock
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import CANARY, NOW, ROUTING, TODAY, authorised, set_up, told
from tests.billing.autopay.test_answering import take, trace_of
from tests.billing.autopay.test_running import let_out, prepare
from tests.billing.factories import AgreementFactory, GuardianFactory, HouseholdFactory
from tests.factories import BookkeeperFactory, UserFactory

CORRECTED = "8800112233445"


def everything_in_the_database():
    """Every row of every table as text, bytes in both of their spellings."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'"
        )
        for (table,) in cursor.fetchall():
            cursor.execute(f"SELECT t::text FROM {table} t")
            for (row,) in cursor.fetchall():
                yield table, row
                for hexadecimal in re.findall(r"\\x([0-9a-f]{16,})", row):
                    yield table, bytes.fromhex(hexadecimal).decode("latin-1")


def found(number):
    plain_hex = number.encode().hex()
    return [table for table, row in everything_in_the_database() if number in row or plain_hex in row]


@pytest.fixture
def a_month(db):
    """A family authorises, is told, debited, comes back, and is corrected."""
    set_up()
    authorisation = authorised()
    noticing.give_notices(today=TODAY, now=NOW, acting_user=BookkeeperFactory())
    authorisation.notices.update(closed_at=NOW)
    told(authorisation)
    run = let_out(prepare())
    take(returns(run, (trace_of(run), "R01")))
    content = returns(run, corrections=[(trace_of(run), "C01", CORRECTED)])
    answering.read_answers(content=content, file_name="waits.ach", acting_user=BookkeeperFactory(), now=NOW)
    return authorisation.household, run, content


class TestInTheDatabase:
    @pytest.mark.parametrize("number", [CANARY, CORRECTED])
    def test_nowhere_before_and_after_a_correction(self, a_month, number):
        assert found(number) == []
        take(a_month[2])
        assert found(number) == []

    def test_the_search_would_find_it(self, a_month):
        household = a_month[0]
        household.notes = f"Account {CANARY}"
        household.save()
        assert "families_household" in found(CANARY)


class TestOnItsWholeWay:
    """D18: authorised on screen, told, debited, sent back and corrected by the office's own pages, at the loudest logs."""

    @pytest.fixture
    def walked(self, client_as, caplog, monkeypatch, django_capture_on_commit_callbacks):
        monkeypatch.setattr(clock, "today", lambda: TODAY)
        monkeypatch.setattr(clock, "now", lambda: NOW)
        published = []
        hear = lambda body=None, headers=None, **_: published.append(f"{body} {headers}")  # noqa: E731
        before_task_publish.connect(hear)
        set_up()
        agreement = AgreementFactory()
        charges.charge_period(agreement=agreement, period=0, acting_user=BookkeeperFactory(), now=NOW)
        client = client_as("manager")
        with caplog.at_level(logging.DEBUG), django_capture_on_commit_callbacks(execute=True):
            form = {"guardian": agreement.household.guardians.first().pk, "account_type": "checking", "routing_number": ROUTING}
            form |= {"account_number": CANARY, "account_number_again": CANARY, "channel": "in_person", "is_signed": "on"}
            form |= {"authorised_on": "3/10/2026", "request_key": uuid.uuid4()}
            client.post(reverse("autopay_authorise", args=[agreement.household_id]), form | {"account_number_again": CORRECTED})
            assert client.post(reverse("autopay_authorise", args=[agreement.household_id]), form).status_code == 302
            told(AutopayAuthorisation.objects.get())
            client.post(reverse("autopay"), {"wanted_on": "3/12/2026"})
            run = AutopayRun.objects.get()
            client.post(reverse("autopay_act", args=[run.pk]), {"act": "let_out"})
            run.refresh_from_db()
            back = returns(run, (trace_of(run), "R01"), corrections=[(trace_of(run), "C01", CORRECTED)])
            client.post(reverse("autopay_returns"), {"file": SimpleUploadedFile("returns.ach", back)})
            client.post(reverse("autopay_answers", args=[AutopayAnswers.objects.get().pk]))
        before_task_publish.disconnect(hear)
        assert AutopayAuthorisation.objects.get().last_four == CORRECTED[-4:]
        return caplog.text, published

    @pytest.mark.parametrize("number", [CANARY, CORRECTED])
    def test_is_in_no_row_log_message_cache_or_file(self, walked, number):
        logged, published = walked
        assert found(number) == []
        assert number not in logged
        assert published, "the workers were told of papers to make"
        assert not [each for each in published if number in each]
        store = cache._cache.get_client()
        values = [store.dump(key) or b"" for key in store.keys("*")]
        assert values, "the requests left something in the cache"
        assert not [each for each in values if number.encode() in each]
        files = [path for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file()]
        assert not [path for path in files if number.encode() in path.read_bytes()]

    @pytest.mark.parametrize("number", [CANARY, CORRECTED])
    def test_is_on_no_paper_and_in_no_mail(self, walked, number):
        papers = list(Document.objects.all())
        assert {"autopay", "autopay_return"} <= {each.kind for each in papers}
        for each in papers:
            kind = get_kind(each.kind)
            assert number not in pdf.render_html(kind=kind, payload=each.payload, title=each.title, language=each.language)
        assert not [each for each in OutboxMessage.objects.all() if number in f"{each.subject} {each.body}"]

    def test_the_audit_trail_was_written_and_searched(self, walked):
        """Every change of an authorisation leaves a row, so the search above had rows to find it in."""
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM billing_autopayauthorisationevent")
            assert cursor.fetchone()[0] >= 2
        assert "billing_autopayauthorisationevent" in {table for table, _ in everything_in_the_database()}


class TestOnPagesAndInLogs:
    def test_no_page_shows_it_but_the_file(self, a_month, client_as, caplog):
        household, run, _ = a_month
        client = client_as("manager")
        with caplog.at_level(logging.DEBUG):
            for name, key in (
                ("autopay_household", household.pk),
                ("autopay_authorise", household.pk),
                ("autopay_end", household.pk),
                ("autopay_run", run.pk),
                ("household", household.pk),
            ):
                answer = client.get(reverse(name, args=[key])).content.decode()
                assert CANARY not in answer
                assert CANARY[-6:] not in answer
            for name in ("autopay", "autopay_runs", "autopay_returns", "autopay_setup"):
                assert CANARY not in client.get(reverse(name)).content.decode()
            file = b"".join(client.get(reverse("autopay_file", args=[run.pk])).streaming_content).decode()
        assert CANARY in file
        assert CANARY not in caplog.text

    def test_a_refused_form_does_not_give_it_back(self, client_as, caplog):
        set_up()
        household = HouseholdFactory()
        GuardianFactory(household=household, is_primary=True)
        client = client_as("bookkeeper")
        form = {"routing_number": "076401252", "account_number": CANARY, "account_number_again": CANARY, "channel": "in_person"}
        with caplog.at_level(logging.DEBUG):
            answer = client.post(reverse("autopay_authorise", args=[household.pk]), form)
        text = answer.content.decode()
        assert answer.status_code == 422
        assert "Type the account number anew" in text
        assert 'value="076401252"' in text
        assert CANARY not in text
        assert CANARY not in caplog.text

    def test_a_form_sent_after_the_session_ended_is_not_parked(self, client_as):
        set_up()
        household = HouseholdFactory()
        client = client_as("bookkeeper")
        page = reverse("autopay_authorise", args=[household.pk])
        client.get(page)
        client.logout()
        client.post(page, {"account_number": CANARY, "routing_number": ROUTING}, HTTP_REFERER=f"http://testserver{page}")
        keys = cache._cache.get_client().keys("*")
        values = [cache._cache.get_client().get(key) or b"" for key in keys if cache._cache.get_client().type(key) == b"string"]
        assert not any(CANARY.encode() in value for value in values)
        client.force_login(UserFactory(role="bookkeeper"))
        assert CANARY not in client.get(page).content.decode()

    def test_history_tables_have_no_column_for_it(self, db):
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT table_name, column_name FROM information_schema.columns WHERE table_name LIKE 'billing_autopay%event'"
            )
            columns = cursor.fetchall()
        assert columns
        assert not [each for each in columns if each[1] in {"account_sealed", "account_index", "sealed"}]

"""What the mail provider tells comes back to the row and to the guardian.

The messages are those of Postmark's own pages for developers (webhooks: bounce, delivery, spam complaint; bounce types), read
by django-anymail's view for them; sending is its test backend.
"""

import datetime
import json
import logging
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from anymail.exceptions import AnymailAPIError
from django.core import mail
from django.db import connection, connections
from django.test import Client
from django.urls import reverse

from rentals.documents import outbox, queries, returns
from rentals.documents.models import OutboxMessage
from rentals.documents.outbox import MAYBE_SENT
from rentals.families.models import Guardian
from tests.conftest import raw_connection
from tests.documents.test_outbox import queue
from tests.factories import BookkeeperFactory
from tests.families.factories import GuardianFactory, HouseholdFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)
SECRET = "provider:a password of twenty-four"
BOUNCE = {
    "RecordType": "Bounce",
    "MessageStream": "outbound",
    "ID": 42,
    "Type": "HardBounce",
    "TypeCode": 1,
    "Name": "Hard bounce",
    "Tag": "Test",
    "MessageID": "883953f4-6105-42a2-a16a-77a8eac79483",
    "Metadata": {},
    "ServerID": 23,
    "Description": "The server was unable to deliver your message (ex: unknown user, mailbox not found).",
    "Details": "Test bounce details",
    "Email": "maren@example.com",
    "From": "sender@example.com",
    "BouncedAt": "2026-11-24T16:33:54.9070259Z",
    "DumpAvailable": True,
    "Inactive": True,
    "CanActivate": True,
    "Subject": "Test subject",
}
DELIVERY = {
    "RecordType": "Delivery",
    "ServerID": 23,
    "MessageStream": "outbound",
    "MessageID": BOUNCE["MessageID"],
    "Recipient": "maren@example.com",
    "Tag": "welcome-email",
    "DeliveredAt": "2026-11-24T16:33:54.9070259Z",
    "Details": "Test delivery webhook details",
    "Metadata": {},
}
COMPLAINT = {**BOUNCE, "RecordType": "SpamComplaint", "Type": "SpamComplaint", "TypeCode": 512, "Name": "Spam complaint"}


@pytest.fixture(autouse=True)
def provider(settings):
    settings.EMAIL_BACKEND = "anymail.backends.test.EmailBackend"
    settings.EMAIL_PROVIDER = "postmark"
    settings.ANYMAIL = {"WEBHOOK_SECRET": SECRET}


@pytest.fixture
def guardian() -> Guardian:
    family = HouseholdFactory(guardian__email="Maren@example.com")
    return family.guardians.get()


@pytest.fixture
def sent(guardian: Guardian) -> OutboxMessage:
    message = queue(guardian=guardian, household=guardian.household)
    outbox.send_message(message_id=message.pk, now=NOW)
    OutboxMessage.objects.update(provider_id=BOUNCE["MessageID"])
    message.refresh_from_db()
    assert message.state == "sent"
    return message


def tell(event: dict, *, secret: str = SECRET, **changes) -> int:
    login = Client().post(
        reverse("mail_news"),
        json.dumps({**event, **changes}),
        content_type="application/json",
        headers={"Authorization": f"Basic {_base64(secret)}"},
    )
    return login.status_code


def tell_elsewhere(**changes) -> int:
    """Tell of a bounce from another thread, on a connection of its own."""
    try:
        return tell(BOUNCE, **changes)
    finally:
        connections.close_all()


def _somebody_waits() -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
        return bool(cursor.fetchone()[0])


def _base64(text: str) -> str:
    import base64

    return base64.b64encode(text.encode()).decode()


class TestSending:
    def test_keeps_what_the_provider_calls_it_and_sends_only_a_number_along(self, guardian: Guardian):
        message = queue(guardian=guardian)
        outbox.send_message(message_id=message.pk, now=NOW)
        message.refresh_from_db()
        assert message.provider_id == "0"
        assert mail.outbox[0].anymail_test_params["metadata"] == {"outbox": str(message.pk)}

    def test_a_provider_that_is_away_is_waited_for(self, guardian: Guardian, monkeypatch: pytest.MonkeyPatch):
        def away(self, payload, message):
            raise AnymailAPIError("away")

        monkeypatch.setattr("anymail.backends.test.EmailBackend.post_to_esp", away)
        message = queue(guardian=guardian)
        outbox.send_message(message_id=message.pk, now=NOW)
        message.refresh_from_db()
        assert (message.state, message.last_error) == ("queued", "The mail server did not take it (AnymailAPIError).")


class TestABounce:
    def test_for_good_is_handed_to_a_person_and_the_next_goes_on_paper(self, sent, guardian, client_as):
        assert [tell(BOUNCE), tell(BOUNCE)] == [200, 200]
        sent.refresh_from_db()
        guardian.refresh_from_db()
        assert (sent.state, sent.last_error, sent.sent_at) == ("failed", returns.NO_SUCH_ADDRESS, None)
        assert sent.returned_at is not None
        assert guardian.mail_failed_at is not None
        assert (queries.count_failed(), queries.count_messages_in_hand()) == (1, (1, 1))
        assert "1 failed or came back" in client_as("bookkeeper").get("/").content.decode()
        assert "Mail comes back" in client_as("specialist").get(f"/households/{guardian.household_id}/").content.decode()
        assert "Correct the address" in client_as("manager").get(f"/outbox/{sent.pk}/").content.decode()

    def test_after_the_address_is_corrected_it_goes_to_the_new_one(self, sent, guardian, client_as):
        tell(BOUNCE)
        url = reverse("guardian_change", args=[guardian.pk])
        data = {"given_name": "A", "family_name": "B", "phone": "", "email": "maren@right.example", "version": "1"}
        assert client_as("specialist").post(url, data).status_code == 302
        guardian.refresh_from_db()
        assert guardian.mail_failed_at is None
        sent.refresh_from_db()
        outbox.send_now(message=sent, acting_user=BookkeeperFactory(), now=NOW)
        tell(BOUNCE)
        outbox.send_due_messages(now=NOW)
        sent.refresh_from_db()
        assert (sent.state, sent.to_address, sent.returned_at) == ("sent", "maren@right.example", None)
        assert mail.outbox[-1].to == ["Maren Oldacre <maren@right.example>"]

    def test_after_the_address_was_taken_away_it_goes_nowhere(self, sent, guardian):
        tell(BOUNCE)
        Guardian.objects.update(email="", mail_failed_at=None)
        sent.refresh_from_db()
        with pytest.raises(outbox.MessageCannotChangeError, match="no mail address any more"):
            outbox.send_now(message=sent, acting_user=BookkeeperFactory(), now=NOW)

    def test_of_an_address_that_was_corrected_meanwhile_says_nothing_of_the_new_one(self, sent, guardian):
        Guardian.objects.update(email="maren@right.example")
        tell(BOUNCE)
        guardian.refresh_from_db()
        assert guardian.mail_failed_at is None

    @pytest.mark.parametrize("kind", ["SoftBounce", "Transient", "DnsError"])
    def test_for_now_leaves_it_as_sent_and_says_so(self, sent, guardian, kind: str):
        tell(BOUNCE, Type=kind)
        sent.refresh_from_db()
        guardian.refresh_from_db()
        assert (sent.state, sent.last_error, guardian.mail_failed_at) == ("sent", returns.PUT_OFF, None)
        tell(DELIVERY)
        sent.refresh_from_db()
        assert sent.last_error == ""

    @pytest.mark.parametrize(("kind", "sentence"), [("Blocked", returns.HELD_BACK), ("VirusNotification", returns.NOT_DELIVERED)])
    def test_that_says_nothing_of_the_address_fails_the_mail_alone(self, sent, guardian, kind: str, sentence: str):
        tell(BOUNCE, Type=kind)
        sent.refresh_from_db()
        guardian.refresh_from_db()
        assert (sent.state, sent.last_error, guardian.mail_failed_at) == ("failed", sentence, None)

    def test_faster_than_its_sender_finds_the_row(self, sent):
        OutboxMessage.objects.update(state="sending", sent_at=None, provider_id="", claimed_at=NOW)
        tell(BOUNCE, Metadata={"outbox": str(sent.pk)})
        sent.refresh_from_db()
        assert sent.state == "failed"

    @pytest.mark.django_db(transaction=True)
    def test_while_its_sender_writes_down_that_it_went_is_not_lost(self, guardian):
        message = queue(guardian=guardian, household=guardian.household)
        OutboxMessage.objects.update(state="sending", claimed_at=NOW, attempts=1)
        with ThreadPoolExecutor(1) as elsewhere, raw_connection(as_owner=False) as sender:
            sender.execute("BEGIN")
            sender.execute(
                "UPDATE documents_outboxmessage SET state = 'sent', sent_at = now(), provider_id = %s", [BOUNCE["MessageID"]]
            )
            told = elsewhere.submit(tell_elsewhere, Metadata={"outbox": str(message.pk)})
            ends = time.monotonic() + 20
            while not _somebody_waits():
                assert time.monotonic() < ends
                time.sleep(0.02)
            sender.execute("COMMIT")
            assert told.result() == 200
        message.refresh_from_db()
        guardian.refresh_from_db()
        assert (message.state, guardian.mail_failed_at is not None) == ("failed", True)

    def test_counts_for_everybody_who_has_that_address(self, sent, guardian):
        other = GuardianFactory(email="maren@EXAMPLE.com")
        another = GuardianFactory()
        tell(BOUNCE)
        for person in (guardian, other, another):
            person.refresh_from_db()
        assert [person.mail_failed_at is not None for person in (guardian, other, another)] == [True, True, False]


class TestOtherNews:
    def test_delivered_is_kept(self, sent):
        assert tell(DELIVERY) == 200
        sent.refresh_from_db()
        assert (sent.state, sent.delivered_at is not None) == ("sent", True)

    def test_delivered_does_not_unsay_that_it_may_have_gone_twice(self, sent):
        OutboxMessage.objects.update(last_error=MAYBE_SENT)
        tell(DELIVERY)
        sent.refresh_from_db()
        assert (sent.last_error, sent.delivered_at is not None) == (MAYBE_SENT, True)

    def test_a_complaint_stops_reminders_and_is_told_to_a_person_until_one_has_seen_it(self, sent, guardian, client_as):
        assert [tell(COMPLAINT), tell(COMPLAINT)] == [200, 200]
        sent.refresh_from_db()
        guardian.refresh_from_db()
        assert (guardian.reminders, guardian.reminders_by, guardian.news_by) == ("none", "complaint", "mail")
        assert (sent.state, queries.count_failed(), queries.count_messages_in_hand()) == ("sent", 1, (1, 1))
        client = client_as("bookkeeper")
        assert "1 mail was called junk." in client.get("/outbox/").content.decode()
        assert sent.subject in client.get("/outbox/?state=complained").content.decode()
        assert "I have seen it" in client.get(f"/outbox/{sent.pk}/").content.decode()
        client.post(reverse("outbox_complaint_seen", args=[sent.pk]))
        assert queries.count_failed() == 0
        assert "called junk.</strong>" not in client.get("/outbox/").content.decode()

    def test_a_complaint_counts_for_everybody_who_has_that_address(self, sent, guardian):
        other, another, without = GuardianFactory(email="maren@EXAMPLE.com"), GuardianFactory(), GuardianFactory(email="")
        waiting = queue("cleaning/1", kind="cleaning", guardian=other)
        tell(COMPLAINT)
        for row in (guardian, other, another, without, waiting):
            row.refresh_from_db()
        assert [person.reminders for person in (guardian, other, another, without)] == ["none", "none", "same", "same"]
        assert (other.reminders_by, waiting.state) == ("complaint", "cancelled")


class TestWhoMayTell:
    @pytest.mark.parametrize("secret", ["provider:wrong", "", "provider"])
    def test_refuses_the_wrong_secret(self, sent, secret: str):
        assert tell(BOUNCE, secret=secret) == 400
        sent.refresh_from_db()
        assert sent.state == "sent"

    def test_refuses_anything_where_no_provider_is_set(self, sent, settings):
        settings.EMAIL_PROVIDER = ""
        assert tell(BOUNCE) == 400

    @pytest.mark.parametrize("code", ["postmark", "mailgun", "brevo"])
    @pytest.mark.parametrize("text", ["{", "", "[]", "5", "null", '"maren"', "[" * 100_000, '{"RecordType": "Inbound"}', "\xff"])
    def test_refuses_what_cannot_be_read(self, settings, caplog: pytest.LogCaptureFixture, code: str, text: str):
        settings.EMAIL_PROVIDER = code
        settings.ANYMAIL = {"WEBHOOK_SECRET": SECRET, "MAILGUN_WEBHOOK_SIGNING_KEY": "k"}
        headers = {"Authorization": f"Basic {_base64(SECRET)}"}
        body = text.encode("latin-1")
        if text == '{"RecordType": "Inbound"}' and code == "brevo":
            body = b'{"items": []}'
        answer = Client().post(reverse("mail_news"), body, content_type="application/json", headers=headers)
        assert answer.status_code == 400
        assert "maren" not in caplog.text

    @pytest.mark.parametrize("credentials", ["Basic %%%", "Basic", "Bearer x", "Basic bWFyZW4="])
    def test_refuses_credentials_that_are_none(self, credentials: str):
        headers = {"Authorization": credentials}
        answer = Client().post(reverse("mail_news"), "{}", content_type="application/json", headers=headers)
        assert answer.status_code == 400

    def test_what_goes_wrong_here_is_told_again_later(self, sent, monkeypatch: pytest.MonkeyPatch):
        def broken(**_words):
            raise KeyError("ours")

        monkeypatch.setattr(returns, "note_returned", broken)
        with pytest.raises(KeyError):
            tell(BOUNCE)

    def test_takes_news_of_a_mail_that_is_not_ours_and_logs_no_address(self, sent, caplog: pytest.LogCaptureFixture):
        with caplog.at_level(logging.DEBUG):
            assert tell(BOUNCE, MessageID="11111111-6105-42a2-a16a-77a8eac79483", Metadata={"outbox": "x"}) == 200
            tell(BOUNCE)
            tell(BOUNCE, secret="provider:wrong")
        sent.refresh_from_db()
        assert "news of a mail that is not in the outbox: bounced" in caplog.text
        assert "maren" not in caplog.text.lower()
        assert "Test bounce details" not in caplog.text

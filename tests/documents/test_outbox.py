"""The outbox: one row per key, one sending at a time, nothing lost and nothing silent."""

import datetime
import smtplib
import time

import pytest
from django.core import mail
from django.core.exceptions import ImproperlyConfigured, PermissionDenied
from django.core.mail.backends.locmem import EmailBackend
from django.db import IntegrityError, connection, transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from rentals.documents import operations, outbox
from rentals.documents.models import Document, OutboxMessage
from rentals.jobs import leases
from rentals.runtime.waiting import LONGEST, backoff
from rentals.staff.operations import ensure_system_user
from tests.conftest import raw_connection
from tests.documents import samples
from tests.elsewhere import MailServer, another_process
from tests.factories import BookkeeperFactory, SpecialistFactory

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def minutes(count: float) -> datetime.timedelta:
    return datetime.timedelta(minutes=count)


def queue(key: str = "overdue/H-00042/2026-10-03/1", **changes) -> OutboxMessage:
    fields = {
        "kind": "overdue",
        "about": "household/42",
        "household": None,
        "channel": "mail",
        "to_name": "Maren Oldacre",
        "to_address": "maren@example.com",
        "subject": "A payment may have slipped by",
        "body": "Dear Maren Oldacre,\n\nOur books still show an amount as unpaid.",
        "now": NOW,
    }
    return outbox.queue_message(key=key, **{**fields, **changes})


def letter(key: str = "a", *, made: bool = True, address: str = "418 Larkspur Street\nFenwick IL  60655") -> OutboxMessage:
    document = operations.ask_for_document(
        key=f"letter/{key}", kind="overdue", about="household/42", title="Overdue notice", page=samples.overdue(), now=NOW
    )
    if made:
        operations.make_document(document_id=document.pk, now=NOW)
    return queue(key, channel="letter", document=document, to_address=address)


class StoppedError(BaseException):
    """The process is killed here."""


def kill_at(monkeypatch: pytest.MonkeyPatch, name: str, *, after: bool = False) -> None:
    """Let the process die just before (or just after) a step of sending."""
    real = getattr(outbox, name)

    def step(*words, **options):
        if after:
            real(*words, **options)
        raise StoppedError

    monkeypatch.setattr(outbox, name, step)


class Refusing(EmailBackend):
    """A mail server that takes nothing."""

    error: Exception = smtplib.SMTPServerDisconnected("gone")

    def send_messages(self, messages):
        raise type(self).error


@pytest.fixture
def refusing(settings, monkeypatch: pytest.MonkeyPatch):
    settings.EMAIL_BACKEND = f"{Refusing.__module__}.Refusing"
    monkeypatch.setattr("django.core.mail.import_string", lambda path: Refusing)
    return Refusing


@pytest.mark.django_db
class TestQueueMessage:
    def test_one_key_is_one_message_as_first_queued(self):
        first = queue()
        assert queue(subject="Another").pk == first.pk
        assert OutboxMessage.objects.get().subject == "A payment may have slipped by"

    def test_a_subject_stays_one_line(self):
        assert queue(subject="Hello\r\nBcc: all@example.com").subject == "Hello Bcc: all@example.com"

    @settings(max_examples=30, deadline=None)
    @given(st.lists(st.sampled_from(["H-1/overdue/1", "H-1/overdue/2", "H-2/overdue/1", "H-1/cleaning/1"]), max_size=12))
    def test_once_means_once_by_household_reason_and_episode(self, keys: list[str]):
        with transaction.atomic():
            rows = {key: queue(key).pk for key in keys}
            assert all(queue(key).pk == rows[key] for key in keys)
            assert OutboxMessage.objects.count() == len(set(keys))
            transaction.set_rollback(True)

    def test_a_letter_waits_for_the_printer(self):
        assert letter().state == "to_print"

    def test_refuses_a_letter_without_its_document(self):
        with pytest.raises(ValueError, match="needs the document"):
            queue(channel="letter")


@pytest.mark.django_db
class TestSendDueMessages:
    def test_sends_each_once_and_says_so(self):
        queue("a")
        queue("b")
        assert outbox.send_due_messages(now=NOW) == 2
        assert outbox.send_due_messages(now=NOW) == 0
        assert [m.state for m in OutboxMessage.objects.all()] == ["sent", "sent"]
        assert len(mail.outbox) == 2

    def test_the_mail_carries_a_message_id_made_from_its_key(self):
        queue()
        outbox.send_due_messages(now=NOW)
        sent = mail.outbox[0].message()
        assert sent["Message-ID"] == outbox.message_id_of("overdue/H-00042/2026-10-03/1")
        assert sent["To"] == "Maren Oldacre <maren@example.com>"

    def test_waits_for_its_document_and_attaches_the_archived_bytes(self):
        document = operations.ask_for_document(
            key="d", kind="overdue", about="household/H-00042", title="Notice", page=samples.overdue(), now=NOW
        )
        queue(document=document)
        assert outbox.send_due_messages(now=NOW) == 0
        made = operations.make_document(document_id=document.pk, now=NOW)
        assert outbox.send_due_messages(now=NOW) == 1
        assert mail.outbox[0].attachments == [("overdue-H-00042.pdf", bytes(made.content), "application/pdf")]

    def test_fails_visibly_when_its_document_could_not_be_made(self):
        document = operations.ask_for_document(
            key="d", kind="overdue", about="household/1", title="Notice", page=samples.overdue(), now=NOW
        )
        message = queue(document=document)
        Document.objects.update(state="failed", last_error="x")
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert (message.state, message.last_error) == ("failed", "The document that goes with it could not be made.")
        assert not mail.outbox

    def test_a_server_that_is_away_is_waited_for_then_given_up(self, refusing):
        message, now = queue(), NOW
        for attempt in range(1, 6):
            assert outbox.send_due_messages(now=now) == 1
            message.refresh_from_db()
            assert (message.attempts, message.last_error) == (
                attempt,
                "The mail server did not take it (SMTPServerDisconnected).",
            )
            now = message.next_try_at or now
            if attempt < 5:
                assert message.state == "queued"
                assert outbox.send_due_messages(now=now - minutes(0.5)) == 0
        assert message.state == "failed"

    @pytest.mark.parametrize(("code", "state"), [(550, "failed"), (553, "failed"), (450, "queued"), (421, "queued")])
    def test_an_unknown_address_is_given_up_at_once_one_that_is_put_off_is_not(
        self, refusing, monkeypatch: pytest.MonkeyPatch, code: int, state: str
    ):
        """RFC 5321, 4.2.1: a code that begins with 4 asks the sender to try again, one with 5 not to."""
        monkeypatch.setattr(refusing, "error", smtplib.SMTPRecipientsRefused({"maren@example.com": (code, b"no")}))
        message = queue()
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert (message.state, message.attempts) == (state, 1)
        assert ("does not know this address" in message.last_error) == (state == "failed")

    def test_an_address_with_letters_of_another_script_is_written_as_mail_systems_read_it(self):
        """RFC 5891, 4.4: each label of the domain in its ASCII form; the form of RFC 3492, 7.1 was worked out by hand."""
        message = queue(to_address="maren@bücher.example")
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert (message.state, message.last_error) == ("sent", "")
        assert mail.outbox[0].to == ["Maren Oldacre <maren@xn--bcher-kva.example>"]

    def test_what_cannot_be_sent_as_it_is_keeps_nothing_behind_it_and_never_says_that_it_may_have_arrived(self):
        message, other = queue("first", to_address="marén@example.com"), queue("second")
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        other.refresh_from_db()
        assert (message.state, other.state) == ("queued", "sent")
        assert message.last_error == "The mail server did not take it (UnicodeEncodeError)."

    def test_a_setting_that_is_wrong_is_waited_for_like_a_server_that_is_away(self, refusing, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(refusing, "error", ImproperlyConfigured("no key"))
        message = queue()
        assert outbox.send_due_messages(now=NOW) == 1
        message.refresh_from_db()
        assert (message.state, message.last_error) == ("queued", "The mail server did not take it (ImproperlyConfigured).")

    def test_a_name_stays_on_one_line(self):
        queue(to_name="Maren\r\nBcc: all@example.com")
        outbox.send_due_messages(now=NOW)
        assert mail.outbox[0].message()["Bcc"] is None
        assert "Maren Bcc: all@example.com" in mail.outbox[0].message()["To"]

    def test_letters_are_never_mailed(self):
        letter()
        assert outbox.send_due_messages(now=NOW) == 0


@pytest.mark.django_db
class TestAProcessDies:
    """Whatever the point at which the process dies: one row, a true state, and in the end the mail has gone out."""

    @pytest.mark.parametrize(
        ("point", "mails_before", "state"),
        [
            ({"name": "_claim"}, 0, "queued"),
            ({"name": "_claim", "after": True}, 0, "sending"),
            ({"name": "_mail"}, 0, "sending"),
            ({"name": "_record"}, 1, "sending"),
            ({"name": "_record", "after": True}, 1, "sent"),
        ],
    )
    def test_it_is_taken_up_again(self, point: dict, mails_before: int, state: str, monkeypatch: pytest.MonkeyPatch):
        message = queue()
        with monkeypatch.context() as patch:
            kill_at(patch, **point)
            with pytest.raises(StoppedError):
                outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert message.state == state
        assert len(mail.outbox) == mails_before
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert (OutboxMessage.objects.count(), message.state) == (1, "sent")
        assert {m.message()["Message-ID"] for m in mail.outbox} == {outbox.message_id_of(message.key)}
        assert ("may have arrived" in message.last_error) == (state == "sending")

    def test_after_five_deaths_a_person_is_asked(self, monkeypatch: pytest.MonkeyPatch):
        message = queue()
        with monkeypatch.context() as patch:
            kill_at(patch, "_mail")
            for _ in range(5):
                with pytest.raises(StoppedError):
                    outbox.send_due_messages(now=NOW)
        outbox.send_due_messages(now=NOW)
        message.refresh_from_db()
        assert (message.state, message.attempts, message.last_error) == ("failed", 5, outbox.LEFT_BEHIND)
        assert not mail.outbox

    def test_that_it_may_have_gone_twice_is_said_to_the_end(self, refusing):
        message, now = queue(), NOW
        OutboxMessage.objects.update(state="sending", claimed_at=NOW, attempts=3)
        for _ in range(2):
            outbox.send_due_messages(now=now)
            message.refresh_from_db()
            now = message.next_try_at or now
        assert message.state == "failed"
        assert message.last_error == f"{outbox.MAYBE_SENT} The mail server did not take it (SMTPServerDisconnected)."

    def test_one_whose_sender_lives_is_left_alone_for_hours_and_those_behind_it_are_sent(self):
        held, free = queue("held"), queue("free")
        OutboxMessage.objects.filter(pk=held.pk).update(state="sending", claimed_at=NOW, attempts=1)
        with raw_connection(as_owner=False) as other:
            other.execute("SELECT pg_advisory_lock(%s, %s)", [leases.MAILS, held.pk])
            assert outbox.send_message(message_id=held.pk, now=NOW + minutes(240)) is None
            assert outbox.send_due_messages(now=NOW + minutes(240)) == 1
        free.refresh_from_db()
        assert (free.state, len(mail.outbox)) == ("sent", 1)

    def test_who_lost_the_lease_while_sending_writes_nothing_down(self, monkeypatch: pytest.MonkeyPatch):
        message, real = queue(), outbox._mail

        def slow(claimed, document):
            if claimed.attempts == 1:
                outbox.send_message(message_id=message.pk, now=NOW)
            return real(claimed, document)

        monkeypatch.setattr(outbox, "_mail", slow)
        outbox.send_message(message_id=message.pk, now=NOW)
        message.refresh_from_db()
        assert (message.state, message.attempts, message.last_error) == ("sent", 2, outbox.MAYBE_SENT)


SENDER = """
from rentals.documents import outbox
from rentals.runtime import clock
outbox.send_message(message_id=MESSAGE, now=clock.now())
"""


def test_killed_between_sending_and_writing_it_down_it_goes_again_within_seconds_and_says_so(transactional_db, monkeypatch):
    monkeypatch.setattr(outbox, "send_word", lambda task, **ids: None)
    message = queue()
    code = SENDER.replace("MESSAGE", str(message.pk))
    with MailServer(hanging=1) as server, another_process(code, OFFICE_EMAIL_URL=server.url) as sender:
        assert server.has_taken.wait(timeout=60)
        assert outbox.send_due_messages(now=NOW) == 0, "its sender lives"
        sender.kill()
        ends = time.monotonic() + 10
        while not outbox.send_due_messages(now=NOW):
            assert time.monotonic() < ends
            time.sleep(0.05)
        (twice,) = server.mails
    message.refresh_from_db()
    assert (message.state, message.attempts, message.last_error) == ("sent", 2, outbox.MAYBE_SENT)
    assert [sent.message()["Message-ID"] for sent in mail.outbox] == [outbox.message_id_of(message.key)]
    assert "Subject: A payment may have slipped by" in twice


class TestTwoWriters:
    def test_one_key_is_one_row_however_many_write_it_at_once(self, race):
        first, *others = race(*[queue] * 4)
        assert isinstance(first, OutboxMessage), first
        assert [other.pk for other in others] == [first.pk] * 3
        assert OutboxMessage.objects.count() == 1


class TestTwoSenders:
    def test_each_mail_is_claimed_by_one(self, race, monkeypatch):
        # Where tests before this one started the office, its worker must hear nothing of these: it would send some itself.
        monkeypatch.setattr(outbox, "send_word", lambda task, **ids: None)
        for number in range(20):
            queue(f"key/{number}")
        tried = race(*[lambda: outbox.send_due_messages(now=NOW)] * 3)
        assert sum(tried) == 20
        assert list(OutboxMessage.objects.values_list("state", "attempts").distinct()) == [("sent", 1)]

    def test_a_claimed_mail_is_passed_over(self, race):
        queue("first")
        queue("second")

        with transaction.atomic():
            list(OutboxMessage.objects.filter(key="first").select_for_update())
            assert race(lambda: outbox.send_due_messages(now=NOW)) == [1]
        assert dict(OutboxMessage.objects.values_list("key", "state")) == {"first": "queued", "second": "sent"}


@pytest.mark.django_db
class TestByHand:
    def test_a_failed_mail_is_tried_again_from_the_first_attempt(self):
        message = queue()
        OutboxMessage.objects.update(state="failed", attempts=5, last_error="x")
        outbox.send_now(message=message, acting_user=BookkeeperFactory(), now=NOW)
        assert outbox.send_due_messages(now=NOW) == 1
        message.refresh_from_db()
        assert (message.state, message.attempts) == ("sent", 1)

    def test_what_went_out_is_neither_sent_again_nor_cancelled(self):
        message = queue()
        outbox.send_due_messages(now=NOW)
        bookkeeper = BookkeeperFactory()
        with pytest.raises(outbox.MessageCannotChangeError):
            outbox.send_now(message=message, acting_user=bookkeeper, now=NOW)
        with pytest.raises(outbox.MessageCannotChangeError):
            outbox.cancel_message(message=message, acting_user=bookkeeper)

    def test_a_cancelled_mail_stays_and_its_key_stays_used(self):
        message = queue()
        outbox.cancel_message(message=message, acting_user=BookkeeperFactory())
        assert queue().state == "cancelled"
        assert outbox.send_due_messages(now=NOW) == 0

    def test_refuses_who_may_not_send(self):
        message = queue()
        for person in (SpecialistFactory(), ensure_system_user()):
            with pytest.raises(PermissionDenied):
                outbox.send_now(message=message, acting_user=person, now=NOW)
            with pytest.raises(PermissionDenied):
                outbox.cancel_message(message=message, acting_user=person)

    def test_every_change_is_in_the_audit_trail(self):
        queue()
        outbox.send_due_messages(now=NOW)
        with connection.cursor() as cursor:
            cursor.execute("SELECT state FROM documents_outboxmessageevent ORDER BY pgh_id")
            assert [row[0] for row in cursor.fetchall()] == ["sending", "sent"]


@pytest.mark.django_db
class TestTheDatabase:
    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"state": "to_print"}, "outbox_state_fits_channel"),
            ({"state": "sent"}, "outbox_sent_has_its_time"),
            ({"sent_at": NOW}, "outbox_sent_has_its_time"),
            ({"state": "sending"}, "outbox_sending_is_claimed"),
            ({"quiet_from": datetime.time(21)}, "outbox_quiet_has_both_ends"),
            ({"complaint_seen_at": NOW}, "outbox_seen_what_was_said"),
        ],
    )
    def test_refuses_what_cannot_be(self, changes: dict, constraint: str):
        queue()
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            OutboxMessage.objects.update(**changes)

    def test_refuses_the_same_key_twice(self):
        row = OutboxMessage.objects.values().get(pk=queue().pk)
        with pytest.raises(IntegrityError), transaction.atomic():
            OutboxMessage.objects.create(**{**row, "id": None})


class TestBackoff:
    def test_grows_fourfold_up_to_six_hours_and_a_quarter_more(self):
        waits = [backoff("some key", attempt) for attempt in range(1, 9)]
        for attempt, wait in enumerate(waits, 1):
            least = min(minutes(4 ** (attempt - 1)), LONGEST)
            assert least <= wait <= least * 1.25

    def test_spreads_what_failed_together(self):
        assert len({backoff(str(number), 3) for number in range(100)}) > 90

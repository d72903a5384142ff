"""Quiet hours: by the office's clock (Chicago), across midnight and across both changes of the clock."""

import datetime
import smtplib
from zoneinfo import ZoneInfo

import pytest
from django.core import mail
from hypothesis import given
from hypothesis import strategies as st

from rentals.documents import outbox
from rentals.documents.models import OutboxMessage
from rentals.documents.quiet import QuietHours, are_quiet
from tests.documents.test_outbox import Refusing, queue, refusing  # noqa: F401
from tests.factories import BookkeeperFactory

CHICAGO = ZoneInfo("America/Chicago")
NIGHT = QuietHours(datetime.time(21), datetime.time(8))


def at(*when: int) -> datetime.datetime:
    return datetime.datetime(*when, tzinfo=CHICAGO)


LATE, MORNING = at(2026, 11, 24, 22, 30), at(2026, 11, 25, 8)


class TestQuietHours:
    @pytest.mark.parametrize(
        ("now", "goes"),
        [
            (at(2026, 11, 24, 20, 59), at(2026, 11, 24, 20, 59)),
            (at(2026, 11, 24, 21), MORNING),
            (at(2026, 11, 25, 7, 59), MORNING),
            (MORNING, MORNING),
            (at(2026, 3, 7, 23), at(2026, 3, 8, 8)),  # the clock goes forward in that night: nine hours, not ten
            (at(2026, 10, 31, 23), at(2026, 11, 1, 8)),  # and back in this one
            (at(2026, 12, 31, 23), at(2027, 1, 1, 8)),
            (at(2028, 2, 28, 23), at(2028, 2, 29, 8)),
        ],
    )
    def test_end_in_the_morning(self, now: datetime.datetime, goes: datetime.datetime):
        assert NIGHT.first_moment(now) == goes

    def test_an_end_that_does_not_exist_comes_an_hour_later(self):
        hours = QuietHours(datetime.time(21), datetime.time(2, 30))
        assert hours.first_moment(at(2026, 3, 8, 1)) == at(2026, 3, 8, 3, 30)

    @given(
        st.datetimes(datetime.datetime(2026, 1, 1), datetime.datetime(2028, 12, 31)),
        st.times().map(lambda time: time.replace(second=0, microsecond=0)),
        st.times().map(lambda time: time.replace(second=0, microsecond=0)),
    )
    def test_never_go_on_for_longer_than_a_day_and_an_hour(self, now, start, end):
        now = now.replace(tzinfo=datetime.UTC)
        moment = QuietHours(start, end).first_moment(now)
        assert now <= moment <= now + datetime.timedelta(hours=25)


@pytest.mark.django_db
class TestTheOutbox:
    def test_holds_a_mail_back_until_its_hour_and_says_so(self):
        message = queue(quiet=NIGHT, now=LATE)
        assert (message.state, message.next_try_at) == ("queued", MORNING)
        assert outbox.send_message(message_id=message.pk, now=LATE) is None
        assert outbox.send_due_messages(now=MORNING - datetime.timedelta(seconds=1)) == 0
        assert outbox.send_due_messages(now=MORNING) == 1
        assert len(mail.outbox) == 1

    def test_holds_back_what_was_queued_by_day_and_met_no_worker_until_night(self):
        message = queue(quiet=NIGHT, now=at(2026, 11, 24, 20, 59))
        assert message.next_try_at is None
        assert outbox.send_message(message_id=message.pk, now=LATE) is None, "told of late, by the word of its own"
        assert outbox.send_due_messages(now=LATE) == 0
        message.refresh_from_db()
        assert message.next_try_at == MORNING

    def test_does_not_try_again_at_night(self, refusing, monkeypatch):  # noqa: F811
        monkeypatch.setattr(Refusing, "error", smtplib.SMTPServerDisconnected("gone"))
        message = queue(quiet=NIGHT, now=at(2026, 11, 24, 20, 59, 30))
        assert outbox.send_due_messages(now=at(2026, 11, 24, 20, 59, 30)) == 1
        message.refresh_from_db()
        assert (message.state, message.next_try_at) == ("queued", MORNING)

    def test_sends_at_once_what_a_person_sends(self):
        message = queue(quiet=NIGHT, now=LATE)
        outbox.send_now(message=message, acting_user=BookkeeperFactory(), now=LATE)
        assert outbox.send_due_messages(now=LATE) == 1

    @pytest.mark.parametrize("start", [datetime.time(21), datetime.time(3), datetime.time(0)])
    @pytest.mark.parametrize("end", [datetime.time(8), datetime.time(22), datetime.time(0, 30)])
    def test_the_database_reads_the_hours_as_python_does(self, start: datetime.time, end: datetime.time):
        hours = QuietHours(start, end)
        queue(quiet=hours)
        for hour in range(24):
            now = at(2026, 11, 24, hour, 30)
            assert OutboxMessage.objects.filter(are_quiet(now)).exists() == hours.cover(datetime.time(hour, 30))

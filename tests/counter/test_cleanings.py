"""Reminders of the annual cleaning: a fortnight ahead, once per rental and due date."""

import datetime

import pytest

from rentals.agreements.models import Agreement, AgreementUnit
from rentals.counter import cleanings
from rentals.documents import operations as documents
from rentals.documents.models import Document, OutboxMessage
from rentals.families.models import Guardian
from rentals.inventory.models import Custody, Instrument
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user
from tests.agreements.factories import AgreementFactory

STARTED = datetime.date(2026, 1, 31)
DUE = datetime.date(2027, 1, 31)

pytestmark = pytest.mark.django_db


def noon(today: datetime.date) -> datetime.datetime:
    return datetime.datetime.combine(today, datetime.time(18), datetime.UTC)


def before(days: int) -> datetime.date:
    return DUE - datetime.timedelta(days=days)


def remind(today: datetime.date) -> int:
    return cleanings.remind_of_cleanings(today=today, now=noon(today), acting_user=ensure_system_user())


@pytest.fixture
def rental(db) -> Agreement:
    agreement = AgreementFactory(unit=True, starts_on=STARTED)
    Instrument.objects.update(last_cleaned_on=None)
    return agreement


class TestRemindOfCleanings:
    @pytest.mark.parametrize(("days_ahead", "reminders"), [(15, 0), (14, 1), (0, 1), (-30, 1)])
    def test_a_fortnight_before_a_year_after_the_start(self, rental, days_ahead: int, reminders: int):
        assert remind(before(days_ahead)) == reminders

    def test_a_year_after_the_last_cleaning(self, rental):
        Instrument.objects.update(last_cleaned_on=datetime.date(2026, 8, 15))
        assert remind(DUE) == 0
        assert remind(datetime.date(2027, 8, 1)) == 1
        assert OutboxMessage.objects.get().key == f"cleaning/{rental.pk}/2027-08-15"

    def test_what_was_left_undone_before_the_rental_is_no_matter_for_the_family(self, rental):
        Instrument.objects.update(last_cleaned_on=datetime.date(2024, 5, 1))
        assert remind(datetime.date(2026, 2, 15)) == 0

    def test_once_for_each_due_date(self, rental):
        assert [remind(before(14)), remind(before(13)), remind(DUE)] == [1, 0, 0]
        Instrument.objects.update(last_cleaned_on=DUE)
        assert remind(datetime.date(2028, 1, 20)) == 1

    def test_not_for_a_rental_that_has_ended_nor_an_instrument_back_in_the_shop(self, rental):
        Custody.objects.filter(ended_at=None).update(ended_at=noon(before(20)))
        assert remind(DUE) == 0

    def test_not_when_the_rental_ends_after_the_list_was_read(self, rental):
        listed = cleanings.list_reminders_due(today=DUE)
        Agreement.objects.update(ended_on=DUE, end_reason="returned")
        assert not cleanings.remind(due=listed[0], today=DUE, now=noon(DUE), acting_user=ensure_system_user())

    def test_who_has_another_address_after_the_list_was_read_is_written_there(self, rental):
        Guardian.objects.update(email="old@example.com")
        (listed,) = cleanings.list_reminders_due(today=DUE)
        Guardian.objects.update(email="new@example.com")
        assert cleanings.remind(due=listed, today=DUE, now=noon(DUE), acting_user=ensure_system_user())
        assert OutboxMessage.objects.get().to_address == "new@example.com"

    def test_mail_or_letter_with_a_document_that_can_be_made(self, rental):
        Guardian.objects.update(email="")
        remind(DUE)
        message = OutboxMessage.objects.get()
        assert (message.channel, message.state, message.kind) == ("letter", "to_print", "cleaning")
        assert AgreementUnit.objects.get().instrument.asset_tag in message.body
        made = documents.make_document(document_id=message.document_id, now=noon(DUE))
        assert made.state == Document.State.MADE

    def test_asks_the_database_as_often_for_many_as_for_one(self, rental, django_assert_num_queries):
        for _ in range(4):
            AgreementFactory(unit=True, starts_on=STARTED)
        Instrument.objects.update(last_cleaned_on=None)
        with django_assert_num_queries(3):
            assert len(cleanings.list_reminders_due(today=DUE)) == 5


class TestScreen:
    def test_shows_who_would_be_reminded_and_reminds_once(self, rental, client_as, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: DUE)
        client = client_as("manager")
        page = client.get("/cleanings/reminders/").content.decode()
        assert rental.household.number in page
        assert "1 reminder is in the outbox." in client.post("/cleanings/reminders/", follow=True).content.decode()
        assert "No reminder was due any more." in client.post("/cleanings/reminders/", follow=True).content.decode()
        assert OutboxMessage.objects.get().queued_by == client.user

    def test_is_not_for_the_technician(self, client_as):
        assert client_as("technician").get("/cleanings/reminders/").status_code == 403

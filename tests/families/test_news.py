"""How news reaches a guardian: chosen at the office, stopped by the family, and what the outbox makes of it.

One click: RFC 8058, 3.1 (headers) and 3.2 (a POST with List-Unsubscribe=One-Click, no cookies); RFC 2369, 3.2.
"""

import datetime

import pytest
from django.core import mail
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from rentals.documents import outbox, stopping
from rentals.documents.models import OutboxMessage
from rentals.documents.quiet import QuietHours
from rentals.documents.reasons import COURTESY, REQUIRED
from rentals.families import letters, news, operations
from rentals.families.models import Guardian
from rentals.staff.operations import ensure_system_user
from tests.documents import samples
from tests.factories import SpecialistFactory
from tests.families.factories import HouseholdFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)
NIGHT = datetime.datetime(2026, 11, 25, 4, 0, tzinfo=datetime.UTC)  # 10 pm in Chicago
PAGES = {"overdue": samples.overdue, "cleaning": samples.cleaning}


def household(**changes):
    made = HouseholdFactory(language=changes.pop("language", "en"))
    Guardian.objects.filter(household=made).update(**changes)
    return made


def write(family, kind: str = "cleaning", *, by=None, now=NOW) -> OutboxMessage:
    letter = letters.Letter(f"{kind}/1", kind, "household/1", "Title", PAGES[kind](), "Subject", "Text")
    receiver = letters.receiver_of(family, kind=kind)
    by = by or ensure_system_user()
    return letters.write_to_household(household=family, receiver=receiver, letter=letter, acting_user=by, now=now)


def sent(family, kind: str = "cleaning"):
    message = write(family, kind)
    OutboxMessage.objects.update(document=None)
    outbox.send_message(message_id=message.pk, now=NOW)
    return mail.outbox[-1].message()


class TestWriteToHousehold:
    @pytest.mark.parametrize(
        ("changes", "overdue", "cleaning"),
        [
            ({}, "mail queued", "mail queued"),
            ({"email": ""}, "letter to_print", "letter to_print"),
            ({"news_by": "letter"}, "letter to_print", "letter to_print"),
            ({"reminders": "letter"}, "mail queued", "letter to_print"),
            ({"reminders": "none"}, "mail queued", "mail cancelled"),
            ({"mail_failed_at": NOW}, "letter to_print", "letter to_print"),
        ],
    )
    def test_goes_the_way_the_guardian_chose(self, changes: dict, overdue: str, cleaning: str):
        family = household(**changes)
        rows = [write(family, kind) for kind in ("overdue", "cleaning")]
        assert [f"{row.channel} {row.state}" for row in rows] == [overdue, cleaning]

    def test_says_on_the_row_that_the_family_wanted_none_and_makes_no_document(self):
        row = write(household(reminders="none"))
        assert (row.last_error, row.document) == (letters.UNWANTED, None)

    def test_waits_for_the_morning_when_it_leaves_by_itself(self):
        family = household()
        assert write(family, now=NIGHT).next_try_at == datetime.datetime(2026, 11, 25, 14, 0, tzinfo=datetime.UTC)
        assert write(family, "overdue", by=SpecialistFactory(), now=NIGHT).next_try_at is None

    def test_goes_at_night_where_no_quiet_hours_are_wanted(self):
        assert write(household(quiet_from=None, quiet_until=None), now=NIGHT).next_try_at is None


class TestAnAddressThatChanges:
    """Between queued and sent lies a night of quiet hours, or a mail server that was away."""

    def change(self, family, email: str) -> None:
        guardian = family.guardians.get()
        changes = {"email": email, "phone": "+13125550117"}
        operations.change_guardian(guardian_id=guardian.pk, version=1, changes=changes, acting_user=SpecialistFactory())

    def test_takes_what_waits_along(self):
        family = household()
        waiting = write(family, now=NIGHT)
        elsewhere = write(household(), "overdue", now=NIGHT)
        before = elsewhere.to_address
        self.change(family, "maren@right.example")
        waiting.refresh_from_db()
        elsewhere.refresh_from_db()
        assert (waiting.state, waiting.to_address) == ("queued", "maren@right.example")
        assert elsewhere.to_address == before

    def test_and_is_taken_away_hands_it_to_a_person(self):
        family = household()
        waiting = write(family, "overdue", now=NIGHT)
        self.change(family, "")
        waiting.refresh_from_db()
        assert (waiting.state, waiting.last_error) == ("failed", outbox.NO_ADDRESS)

    def test_leaves_alone_what_went_out(self):
        family = household()
        gone = write(family)
        OutboxMessage.objects.update(document=None)
        outbox.send_message(message_id=gone.pk, now=NOW)
        self.change(family, "maren@right.example")
        gone.refresh_from_db()
        assert (gone.state, gone.to_address != "maren@right.example") == ("sent", True)


class TestStoppingLinks:
    def test_a_courtesy_carries_both_headers_and_the_link_under_its_text(self, settings):
        settings.PUBLIC_URL = "https://office.tamarack.example"
        told = sent(household())
        link = told["List-Unsubscribe"].strip("<>")
        assert link.startswith("https://office.tamarack.example/reminders/stop/")
        assert told["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        assert f"If you want no reminders like this one: {link}" in told.get_payload(decode=True).decode()

    def test_in_spanish_for_who_reads_spanish(self, settings):
        settings.PUBLIC_URL = "https://office.tamarack.example"
        assert "Si no quiere recordatorios como este: https" in sent(household(language="es")).get_payload(decode=True).decode()

    def test_what_a_family_must_get_carries_none(self, settings):
        settings.PUBLIC_URL = "https://office.tamarack.example"
        told = sent(household(), "overdue")
        assert told["List-Unsubscribe"] is None
        assert told["List-Unsubscribe-Post"] is None

    def test_without_a_public_address_a_mail_to_the_office_does(self, settings):
        settings.PUBLIC_URL, settings.DEFAULT_FROM_EMAIL = "", "Tamarack <desk@office.example>"
        told = sent(household())
        assert told["List-Unsubscribe"] == "<mailto:desk@office.example?subject=No%20more%20reminders>"
        assert told["List-Unsubscribe-Post"] is None

    def test_no_kind_is_both(self):
        assert not set(REQUIRED) & set(COURTESY)
        assert {"agreement", "receipt", "overdue", "autopay_notice", "autopay_return"} <= set(REQUIRED)


class TestTheFamilysOwnPage:
    @pytest.fixture
    def guardian(self) -> Guardian:
        return Guardian.objects.get(household=household())

    @pytest.fixture
    def url(self, guardian: Guardian) -> str:
        return reverse("reminders_stop", args=[stopping.make_token(guardian.pk)])

    def test_looking_changes_nothing_and_names_nobody(self, url: str, guardian: Guardian, client: Client):
        page = client.get(url)
        guardian.refresh_from_db()
        assert (page.status_code, guardian.reminders) == (200, "same")
        assert guardian.email not in page.content.decode()
        assert guardian.family_name not in page.content.decode()

    def test_one_click_of_a_mail_program_stops_them(self, url: str, guardian: Guardian):
        waiting = write(guardian.household, now=NIGHT)
        strict = Client(enforce_csrf_checks=True)
        for _ in range(2):
            assert strict.post(url, {"List-Unsubscribe": "One-Click"}).status_code == 200
        guardian.refresh_from_db()
        waiting.refresh_from_db()
        assert (guardian.reminders, guardian.reminders_by, guardian.news_by) == ("none", "link", "mail")
        assert (waiting.state, waiting.last_error) == ("cancelled", outbox.NO_MORE)

    @pytest.mark.parametrize("instead", [{}, {"instead": "letter"}])
    def test_one_that_is_being_sent_meanwhile_is_not_tried_again(self, url: str, guardian: Guardian, client: Client, instead):
        waiting = write(guardian.household)
        OutboxMessage.objects.update(document=None, state="sending", claimed_at=NOW, attempts=1)
        client.post(url, instead)
        OutboxMessage.objects.update(state="queued")  # the mail server was away
        assert outbox.send_due_messages(now=NOW) == 1
        waiting.refresh_from_db()
        assert (waiting.state, waiting.last_error, mail.outbox) == ("cancelled", outbox.NO_MORE, [])

    def test_one_whose_sender_was_stopped_is_not_sent_again_and_says_that_it_may_have_arrived(self, guardian: Guardian):
        waiting = write(guardian.household)
        OutboxMessage.objects.update(document=None, state="sending", claimed_at=NOW, attempts=1)
        news.stop_reminders(guardian_id=guardian.pk, how=Guardian.ChosenBy.LINK, now=NOW)
        outbox.send_due_messages(now=NOW)
        waiting.refresh_from_db()
        assert (waiting.state, waiting.last_error, mail.outbox) == ("cancelled", outbox.NOT_AGAIN, [])

    def test_stops_nothing_that_the_family_must_get(self, url: str, guardian: Guardian, client: Client):
        must = write(guardian.household, "overdue")
        OutboxMessage.objects.update(document=None)
        client.post(url)
        outbox.send_due_messages(now=NOW)
        must.refresh_from_db()
        assert must.state == "sent"

    def test_letters_instead_only_for_who_asks(self, url: str, guardian: Guardian, client: Client):
        assert "letters from now on" in client.post(url, {"instead": "letter"}).content.decode()
        guardian.refresh_from_db()
        assert guardian.reminders == "letter"

    def test_speaks_spanish(self, url: str, guardian: Guardian, client: Client):
        assert "¿Dejar de recibir" in client.get(url + "?in=es").content.decode()
        guardian.household.language = "es"
        guardian.household.save()
        page = client.post(url).content.decode()
        assert "Ya no le enviaremos recordatorios." in page
        assert '<html lang="es">' in page

    @pytest.mark.parametrize("method", ["get", "post"])
    def test_refuses_a_link_that_is_not_ours(self, url: str, guardian: Guardian, client: Client, method: str):
        forged = url.rstrip("/")[:-3] + "abc/"
        assert getattr(client, method)(forged).status_code == (404 if method == "get" else 400)
        guardian.refresh_from_db()
        assert guardian.reminders == "same"


class TestChooseNews:
    @pytest.fixture
    def guardian(self) -> Guardian:
        return Guardian.objects.get(household=household(reminders="none", reminders_by="link", reminders_at=NOW))

    def test_the_office_undoes_what_a_link_did(self, guardian: Guardian, client_as):
        data = {"news_by": "mail", "reminders": "same", "quiet_from": "22:00", "quiet_until": "07:00", "version": "1"}
        url = reverse("guardian_news", args=[guardian.pk])
        client = client_as("specialist")
        assert "by the link in a mail" in client.get(url).content.decode()
        assert client.post(url, data).status_code == 302
        guardian.refresh_from_db()
        assert (guardian.reminders, guardian.reminders_by) == ("same", "office")
        assert (guardian.quiet_from, guardian.quiet_until) == (datetime.time(22), datetime.time(7))

    @pytest.mark.parametrize(("begins", "ends"), [("21:00", ""), ("", "08:00"), ("08:00", "08:00")])
    def test_refuses_half_quiet_hours_in_words(self, guardian: Guardian, client_as, begins: str, ends: str):
        data = {"news_by": "letter", "reminders": "none", "quiet_from": begins, "quiet_until": ends, "version": "1"}
        answer = client_as("specialist").post(reverse("guardian_news", args=[guardian.pk]), data)
        assert answer.status_code == 422
        assert "“None” for both" in answer.content.decode()

    def test_says_when_somebody_was_faster_and_keeps_what_was_chosen(self, guardian: Guardian, client_as):
        data = {"news_by": "letter", "reminders": "none", "quiet_from": "", "quiet_until": "", "version": "7"}
        client, url = client_as("specialist"), reverse("guardian_news", args=[guardian.pk])
        answer = client.post(url, data)
        assert answer.status_code == 409
        assert 'value="1"' in answer.content.decode()
        assert client.post(url, {**data, "version": "1"}).status_code == 302

    def test_mail_is_tried_again_only_when_the_office_says_so(self, guardian: Guardian):
        Guardian.objects.update(mail_failed_at=NOW)
        wanted, person = news.News("mail", "same", QuietHours(datetime.time(21), datetime.time(8))), SpecialistFactory()
        for version, works in ((1, False), (2, True)):
            kept = news.choose_news(
                guardian_id=guardian.pk, version=version, news=wanted, mail_works=works, acting_user=person, now=NOW
            )
            assert (kept.mail_failed_at is None) == works

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"quiet_from": None}, "guardian_quiet_has_both_ends"),
            ({"quiet_from": datetime.time(8)}, "guardian_quiet_has_both_ends"),
            ({"reminders_by": ""}, "guardian_reminders_chosen_by_one"),
            ({"mail_failed_at": NOW, "email": ""}, "guardian_failed_mail_is_known"),
        ],
    )
    def test_the_database_refuses_what_cannot_be(self, guardian: Guardian, changes: dict, constraint: str):
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            Guardian.objects.update(**changes)

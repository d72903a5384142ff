"""Notices about what is overdue: step by step, once, and only to those who still owe."""

import datetime
from decimal import Decimal

import pytest

from billing import charges, overdue, payments
from billing.collecting import steps
from billing.collecting.rules import StepWanted
from billing.models import OverdueNotice
from rentals.documents import operations as documents
from rentals.documents.models import Document, OutboxMessage
from rentals.staff.operations import ensure_system_user
from tests.billing.autopay.conftest import authorised, set_up, told
from tests.billing.factories import AgreementFactory, GuardianFactory

D = Decimal
DUE = datetime.date(2026, 1, 31)


def day(days_late: int) -> datetime.date:
    return DUE + datetime.timedelta(days=days_late)


def noon(today: datetime.date) -> datetime.datetime:
    return datetime.datetime.combine(today, datetime.time(18), datetime.UTC)


def take(days_late: int) -> int:
    today = day(days_late)
    return overdue.take_overdue_steps(today=today, now=noon(today), acting_user=ensure_system_user())


def set_steps(*wanted: StepWanted) -> None:
    shown = steps.get_version().number
    steps.set_steps(steps=wanted, grace_days=3, shown=shown, acting_user=ensure_system_user(), now=noon(DUE))


@pytest.fixture
def owing(agreement, bookkeeper):
    """A household with one period of 26.65 due on January 31."""
    charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=noon(DUE))
    return agreement.household


def pay(household, bookkeeper, amount="26.65", on=DUE):
    return payments.record_payment(
        household=household,
        method="cash",
        cheque_number="",
        amount=D(amount),
        received_on=on,
        acting_user=bookkeeper,
        now=noon(on),
    )


class TestTakeOverdueSteps:
    @pytest.mark.parametrize(("days_late", "steps"), [(9, 0), (10, 1), (11, 1)])
    def test_the_first_falls_due_ten_days_after_the_due_date(self, owing, days_late: int, steps: int):
        assert take(days_late) == steps

    def test_the_steps_follow_each_other_at_10_25_35_and_45_days(self, owing):
        taken = [late for late in range(1, 80) if take(late)]
        assert taken == [10, 25, 35, 45]
        notices = OverdueNotice.objects.order_by("step").values_list("step", "episode_on", "rule__kind")
        assert list(notices) == [(1, DUE, "mail"), (2, DUE, "mail"), (3, DUE, "call"), (4, DUE, "mail")]
        assert OutboxMessage.objects.count() == 3

    def test_an_episode_under_way_goes_on_by_the_steps_it_began_with(self, owing, bookkeeper):
        take(10)
        other = AgreementFactory()
        charges.charge_period(agreement=other, period=0, acting_user=bookkeeper, now=noon(DUE))
        set_steps(StepWanted(1, 5, "letter", 1, 4), StepWanted(2, 12, "recall", None, 0))
        assert [late for late in range(11, 60) if take(late)] == [11, 15, 25, 35, 45]
        kinds = OverdueNotice.objects.order_by("step").values_list("household", "rule__kind")
        assert [kind for household, kind in kinds if household == owing.pk] == ["mail", "mail", "call", "mail"]
        assert [kind for household, kind in kinds if household != owing.pk] == ["letter", "recall"]

    def test_a_letter_goes_on_paper_though_a_mail_address_is_known(self, owing):
        GuardianFactory(household=owing, is_primary=True, email="jo@example.com")
        set_steps(StepWanted(1, 5, "letter", 1, 4))
        take(5)
        assert OutboxMessage.objects.get().channel == "letter"

    def test_run_again_writes_nothing_new(self, owing):
        assert [take(10), take(10), take(10)] == [1, 0, 0]
        assert (OutboxMessage.objects.count(), Document.objects.count()) == (1, 1)

    def test_a_family_found_very_late_gets_the_friendly_letter_first_and_time_to_answer(self, owing):
        assert [late for late in range(60, 100) if take(late)] == [60, 70, 80, 90]
        assert OutboxMessage.objects.order_by("pk").first().subject == "A payment may have slipped by"

    def test_who_has_paid_gets_nothing(self, owing, bookkeeper):
        pay(owing, bookkeeper)
        assert take(30) == 0

    def test_who_pays_after_the_list_was_read_gets_nothing(self, owing, bookkeeper):
        listed = overdue.list_steps_due(today=day(10))
        pay(owing, bookkeeper)
        assert not overdue.take_step(due=listed[0], today=day(10), now=noon(day(10)), acting_user=bookkeeper)
        assert not OutboxMessage.objects.exists()

    def test_who_moves_or_has_another_address_after_the_list_was_read_is_written_there(self, owing, bookkeeper):
        guardian = GuardianFactory(household=owing, email="old@example.com", is_primary=True)
        (listed,) = overdue.list_steps_due(today=day(10))
        guardian.email = "new@example.com"
        guardian.save()
        assert overdue.take_step(due=listed, today=day(10), now=noon(day(10)), acting_user=bookkeeper)
        assert OutboxMessage.objects.get().to_address == "new@example.com"

    def test_the_letter_names_what_is_open_after_a_part_payment(self, owing, bookkeeper):
        pay(owing, bookkeeper, "6.65")
        take(10)
        page = Document.objects.get().payload["page"]
        assert (page["total"], [item["open_amount"] for item in page["items"]]) == ("20.00", ["20.00"])
        assert page["answer_by"] == day(20).isoformat()

    def test_a_returned_payment_goes_on_where_the_episode_was(self, owing, bookkeeper):
        take(10)
        payment = pay(owing, bookkeeper, on=day(12))
        assert take(25) == 0
        payments.return_payment(
            payment=payment, reason="Not sufficient funds", returned_on=day(26), acting_user=bookkeeper, now=noon(day(26))
        )
        assert take(26) == 1
        assert list(OverdueNotice.objects.order_by("step").values_list("step", flat=True)) == [1, 2]

    def test_mails_where_there_is_an_address_and_writes_a_letter_where_there_is_none(self, bookkeeper):
        for email in ("jo@example.com", ""):
            agreement = AgreementFactory(guardian__email=email)
            charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=noon(DUE))
        assert take(10) == 2
        mail, letter = OutboxMessage.objects.order_by("channel", "pk").reverse()
        assert (mail.channel, mail.state, mail.to_address) == ("mail", "queued", "jo@example.com")
        assert (letter.channel, letter.state) == ("letter", "to_print")
        assert letter.to_address == "12 Elm Street\nSpringfield IL  62704"
        assert mail.queued_by == ensure_system_user()

    def test_the_mail_says_how_much_and_the_document_can_be_made(self, owing):
        GuardianFactory(household=owing, is_primary=False, email="other@example.com")
        take(10)
        message = OutboxMessage.objects.get()
        assert "Total past due: $26.65." in message.body
        assert "&" not in message.body
        made = documents.make_document(document_id=message.document_id, now=noon(day(10)))
        assert made.state == Document.State.MADE

    def test_one_family_in_trouble_keeps_nobody_else_from_getting_theirs(self, owing, bookkeeper, monkeypatch):
        """Each household is a transaction of its own: what was written before a stop stays written."""
        other = AgreementFactory(guardian__email="b@example.com")
        charges.charge_period(agreement=other, period=0, acting_user=bookkeeper, now=noon(DUE))
        real, seen = overdue.take_step, []

        def stop_at_second(**options):
            if seen:
                raise KeyboardInterrupt
            seen.append(1)
            return real(**options)

        with monkeypatch.context() as patch:
            patch.setattr(overdue, "take_step", stop_at_second)
            with pytest.raises(KeyboardInterrupt):
                take(10)
        assert take(10) == 1
        assert OverdueNotice.objects.count() == 2

    @pytest.mark.parametrize(("days_late", "steps"), [(10, 0), (21, 0), (22, 1)])
    def test_a_debit_that_was_told_comes_first_for_as_long_as_it_may_be_made(self, owing, days_late, steps):
        """Told for the 14th day after it was due; seven days later at the latest it may settle."""
        set_up()
        told(authorised(owing), debit_on=day(14), days=14)
        assert take(days_late) == steps

    def test_asks_the_database_as_often_for_many_as_for_one(self, owing, bookkeeper, django_assert_num_queries):
        for _ in range(5):
            agreement = AgreementFactory()
            charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=noon(DUE))
        with django_assert_num_queries(8):
            assert len(overdue.list_steps_due(today=day(10))) == 6


class TestTwoAtOnce:
    def test_each_step_is_taken_once(self, race, agreement, bookkeeper):
        charges.charge_period(agreement=agreement, period=0, acting_user=bookkeeper, now=noon(DUE))
        ensure_system_user()
        assert sum(race(*[lambda: take(10)] * 4)) == 1
        assert OutboxMessage.objects.count() == 1


class TestForTheManager:
    def test_names_who_had_every_step_and_their_time_to_answer(self, owing):
        for late in (10, 25, 35, 45):
            take(late)
        assert overdue.list_for_the_manager(today=day(54)) == []
        found = overdue.list_for_the_manager(today=day(55))
        assert [(row.household, row.amount, row.days_late) for row in found] == [(owing, D("26.65"), 55)]
        assert [each.household for each in found[0].rented] == [owing]

    def test_a_recall_is_before_the_manager_at_once(self, owing):
        set_steps(StepWanted(1, 5, "mail", 1, 4), StepWanted(2, 12, "recall", None, 30))
        take(5)
        take(12)
        assert [row.is_recall for row in overdue.list_for_the_manager(today=day(12))] == [True]


class TestScreen:
    def test_shows_who_would_get_what_and_sends_it_once(self, owing, client_as, time_machine_at):
        time_machine_at(day(10))
        client = client_as("bookkeeper")
        page = client.get("/books/overdue/notices/").content.decode()
        assert owing.number in page and "1: Friendly mail" in page and "$26.65" in page
        after = client.post("/books/overdue/notices/", follow=True).content.decode()
        assert "1 step is taken" in after
        assert "All done" in after
        assert OutboxMessage.objects.get().queued_by == client.user

    def test_is_not_for_the_specialist(self, client_as):
        assert client_as("specialist").get("/books/overdue/notices/").status_code == 403


@pytest.fixture
def time_machine_at(monkeypatch):
    """Set the office's clock."""
    from rentals.runtime import clock

    def at(today: datetime.date) -> None:
        monkeypatch.setattr(clock, "today", lambda: today)
        monkeypatch.setattr(clock, "now", lambda: noon(today))

    return at

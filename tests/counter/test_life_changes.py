"""The agreement's page with what can be done, and the screens of changes, holds, transfer and void."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse

from billing import charges, payments
from billing import queries as billing
from billing.models import Charge
from rentals.agreements import life
from rentals.agreements.changes import holds
from rentals.agreements.life import Sent
from rentals.agreements.models import Agreement, AgreementHold, PayerShare
from rentals.counter.life import operations, page
from rentals.documents.models import Document
from rentals.runtime import clock
from tests.agreements.factories import AgreementFactory, OfficeFactory, PlanVersionFactory, RateFactory
from tests.factories import ManagerFactory, SpecialistFactory
from tests.families.factories import GuardianFactory, HouseholdFactory
from tests.inventory.factories import LocationFactory
from tests.schools.factories import ProgrammeFactory

D = datetime.date
TODAY = D(2026, 2, 10)
NOW = datetime.datetime(2026, 2, 10, 17, 0, tzinfo=datetime.UTC)
SIGNED = {"agrees": "on", "signer": "Alex Sample"}

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _today(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def agreement():
    """Signed on January 31, its first month billed (30.00 rent, 5.00 protection, tax 8.25 %) and not paid."""
    OfficeFactory()
    made = AgreementFactory(unit=True)
    RateFactory(kind=made.item.kind)
    charges.charge_period(agreement=made, period=0, acting_user=SpecialistFactory(), now=NOW)
    return made


@pytest.fixture
def client(client_as):
    return client_as("specialist")


@pytest.fixture
def manager(client_as):
    return client_as("manager")


def text(response) -> str:
    return " ".join(response.content.decode().split())


def months_later(time_machine, client) -> None:
    """Go on to April 10 as the same person: two months have begun meanwhile."""
    time_machine.move_to(datetime.datetime(2026, 4, 10, 17, 0, tzinfo=datetime.UTC), tick=False)
    sign_in_again(client)


def sign_in_again(client) -> None:
    client.logout()
    client.force_login(client.user)


def hidden(client, url) -> dict[str, str]:
    """What the form on a page carries without being seen."""
    form = client.get(url).context["form"]
    return {field.html_name: str(field.value()) for field in form.hidden_fields() if field.value() is not None}


def send(client, url, **fields):
    return client.post(url, {**hidden(client, url), **fields})


def to(name: str, agreement: Agreement, *more: int) -> str:
    return reverse(f"agreement_{name}", args=[agreement.pk, *more])


class TestThePage:
    def test_offers_a_specialist_the_changes_and_not_the_managers_acts(self, client, agreement):
        shown = text(client.get(reverse("agreement", args=[agreement.pk])))
        assert "Change the due day" in shown
        assert "Drop protection" in shown
        assert "Add protection" not in shown
        assert "Put billing on hold" not in shown
        assert "Void, signed" not in shown

    def test_offers_the_manager_hold_and_recall(self, manager, agreement):
        shown = text(manager.get(reverse("agreement", args=[agreement.pk])))
        assert to("hold", agreement) in shown
        assert to("recall", agreement) in shown

    def test_offers_no_dropping_of_protection_that_the_plan_requires(self, client):
        agreement = AgreementFactory(plan_version=PlanVersionFactory(number=2, protection_required=True))
        assert "Drop protection" not in text(client.get(reverse("agreement", args=[agreement.pk])))

    def test_says_on_hold_and_why_and_what_can_be_done(self, manager, agreement):
        send(manager, to("hold", agreement), reason="Student in hospital")
        shown = text(manager.get(reverse("agreement", args=[agreement.pk])))
        for words in ("Billing on hold", "Student in hospital", "Let billing go on", "Not billed while on hold"):
            assert words in shown
        assert "Change the due day" not in shown

    def test_written_off_it_is_recalled_no_more_and_of_one_moment_the_later_act_stands_above(self, manager, agreement):
        send(manager, to("recall", agreement), reason="No answer")
        send(manager, to("write_off", agreement), reason="Moved away")
        shown = text(manager.get(reverse("agreement", args=[agreement.pk])))
        assert "Recalled for non-payment since" not in shown
        assert "until the agreement ended" in shown
        told = [event["text"] for event in page.list_events(Agreement.objects.get(pk=agreement.pk), [], [])]
        assert told.index("Written off") < told.index("Recalled")

    def test_shows_what_comes_next_and_the_timeline(self, client, agreement):
        send(client, to("change_due_day", agreement), due_day="15", **SIGNED)
        shown = text(client.get(reverse("agreement", args=[agreement.pk])))
        assert "15 of 31 days" in shown
        assert "Due day changed" in shown
        assert "To come" in shown


class TestFirstFreePeriod:
    def free(self, agreement, today=TODAY) -> int:
        return page.first_free_period(agreement, life.list_segments(agreement), today)

    def test_comes_after_what_is_billed_and_what_has_begun(self, agreement):
        assert self.free(agreement) == 1
        assert self.free(agreement, D(2026, 2, 28)) == 1
        assert self.free(agreement, D(2026, 3, 1)) == 2

    def test_comes_after_what_is_billed_ahead(self, agreement):
        charges.charge_period(agreement=agreement, period=1, acting_user=SpecialistFactory(), now=NOW)
        assert self.free(agreement) == 2


class TestDueDay:
    def test_shows_the_bridge_with_its_days_and_amount_before_it_is_signed(self, client, agreement):
        shown = text(client.get(to("due_day_preview", agreement), {"due_day": "15"}))
        assert "15 of 31 days" in shown
        assert "$16.94" in shown
        assert "due on day 15" in shown

    def test_shows_it_without_scripts_too_and_saves_nothing(self, client, agreement):
        answer = send(client, to("change_due_day", agreement), due_day="15", show="1")
        assert answer.status_code == 200
        assert "15 of 31 days" in text(answer)
        assert len(life.list_segments(agreement)) == 1

    @pytest.mark.parametrize("asked", ["0", "29", "x", "²", ""])
    def test_previews_nothing_for_what_is_no_day(self, client, agreement, asked):
        assert "Choose a day" in text(client.get(to("due_day_preview", agreement), {"due_day": asked}))

    def test_is_not_changed_without_the_guardians_name(self, client, agreement):
        answer = send(client, to("change_due_day", agreement), due_day="15")
        assert answer.status_code == 422
        assert "Write the name of the guardian who signs" in text(answer)
        assert "15 of 31 days" in text(answer)

    def test_sent_twice_changes_it_once(self, client, agreement):
        url = to("change_due_day", agreement)
        fields = {**hidden(client, url), "due_day": "15", **SIGNED}
        assert [client.post(url, fields).status_code for _ in range(2)] == [302, 302]
        assert Document.objects.filter(kind="addendum").count() == 1

    def test_of_two_people_the_second_is_told_what_the_first_did(self, client, client_as, agreement):
        url, other = to("change_due_day", agreement), client_as("specialist")
        mine = {**hidden(client, url), "due_day": "15", **SIGNED}
        send(other, url, due_day="20", **SIGNED)
        answer = client.post(url, mine)
        assert answer.status_code == 409
        shown = text(answer)
        assert other.user.name in shown
        assert "To day 20 of the month" in shown
        assert "Look at the agreement again" in shown

    def test_a_month_billed_meanwhile_is_said_and_nothing_is_changed(self, client, agreement):
        url = to("change_due_day", agreement)
        mine = {**hidden(client, url), "due_day": "15", **SIGNED}
        charges.charge_period(agreement=agreement, period=1, acting_user=SpecialistFactory(), now=NOW)
        answer = client.post(url, mine)
        assert answer.status_code == 409
        assert "was billed meanwhile" in text(answer)
        assert len(life.list_segments(agreement)) == 1

    def test_is_refused_for_an_ended_agreement_with_what_is_possible(self, client, agreement):
        Agreement.objects.filter(pk=agreement.pk).update(ended_on=TODAY, end_reason="returned")
        answer = client.get(to("change_due_day", agreement))
        assert answer.status_code == 409
        assert "reinstate it" in text(answer)


class TestProtection:
    def test_is_dropped_from_the_next_month_on(self, client, agreement):
        assert send(client, to("drop_protection", agreement), **SIGNED).status_code == 302
        charge = charges.charge_period(agreement=agreement, period=1, acting_user=SpecialistFactory(), now=NOW)
        assert {line.kind for line in charge.lines.all()} == {"rent"}

    def test_is_added_at_the_price_that_was_shown(self, client):
        OfficeFactory()
        agreement = AgreementFactory(protection=False)
        RateFactory(kind=agreement.item.kind, monthly_protection=Decimal("6.50"))
        url = to("add_protection", agreement)
        assert "$6.50 a month" in text(client.get(url))
        assert send(client, url, **SIGNED).status_code == 302
        assert life.list_segments(agreement)[-1].protection == Decimal("6.50")

    def test_without_a_price_there_is_nothing_to_add(self, client):
        agreement = AgreementFactory(protection=False)
        answer = client.get(to("add_protection", agreement))
        assert answer.status_code == 409
        assert "no price" in text(answer)

    def test_that_is_so_already_is_said_before_a_form_is_filled_in(self, client, agreement):
        bare = AgreementFactory(protection=False, household=agreement.household)
        for answer in (client.get(to("add_protection", agreement)), client.get(to("drop_protection", bare))):
            assert answer.status_code == 409
            assert "already" in text(answer)

    def test_that_the_plan_requires_is_not_dropped(self, client):
        agreement = AgreementFactory(plan_version=PlanVersionFactory(number=2, protection_required=True))
        assert "requires protection" in text(client.get(to("drop_protection", agreement)))

    def test_the_bench_knows_from_when_it_covers(self, client, client_as, agreement):
        send(client, to("drop_protection", agreement), **SIGNED)
        tag = agreement.units.get().instrument.asset_tag
        assert "Yes, protection" in text(client_as("technician").get(reverse("bench"), {"tag": tag}))


class TestHolds:
    def test_show_the_months_between_with_their_amounts_before_they_are_lifted(self, manager, agreement, time_machine):
        send(manager, to("hold", agreement), reason="Away")
        months_later(time_machine, manager)
        url = to("lift_hold", agreement)
        assert "$70.00" in text(manager.get(url))
        assert send(manager, url).status_code == 422
        assert send(manager, url, months="forgiven").status_code == 302
        assert charges.list_unbilled(agreement, through=clock.today()) == []

    def test_billed_later_they_are_what_a_run_bills_next(self, manager, agreement, time_machine):
        send(manager, to("hold", agreement), reason="Away")
        months_later(time_machine, manager)
        send(manager, to("lift_hold", agreement), months="later")
        assert [each.number for each in charges.list_unbilled(agreement, through=clock.today())] == [1, 2]

    def test_lifted_on_the_same_day_nothing_is_asked(self, manager, agreement):
        send(manager, to("hold", agreement), reason="Mistake")
        assert send(manager, to("lift_hold", agreement)).status_code == 302

    def test_a_specialist_may_not(self, client, agreement):
        assert client.get(to("hold", agreement)).status_code == 403
        assert client.get(to("recall", agreement)).status_code == 403

    def test_need_a_reason(self, manager, agreement):
        answer = send(manager, to("hold", agreement), reason=" ")
        assert answer.status_code == 422
        assert not AgreementHold.objects.exists()


class TestRecall:
    def test_names_what_is_past_due_and_is_lifted_again(self, manager, agreement):
        url = to("recall", agreement)
        assert "$37.89" in text(manager.get(url))
        assert send(manager, url, reason="Two letters, no answer.").status_code == 302
        assert life.state_of(agreement) == "recalled"
        assert Document.objects.filter(kind="recall").count() == 1
        assert send(manager, to("lift_recall", agreement)).status_code == 302
        assert life.state_of(agreement) == "running"

    def test_is_refused_when_nothing_is_past_due(self, manager):
        agreement = AgreementFactory()
        answer = manager.get(to("recall", agreement))
        assert answer.status_code == 409
        assert "no reason to recall" in text(answer)


class TestSchool:
    def test_is_changed_for_the_student(self, client, agreement):
        programme = ProgrammeFactory()
        assert send(client, to("change_school", agreement), programme=programme.pk).status_code == 302
        agreement.student.refresh_from_db()
        assert agreement.student.programme == programme

    def test_the_same_school_is_no_change(self, client, agreement):
        answer = send(client, to("change_school", agreement), programme="")
        assert answer.status_code == 422
        assert "already" in text(answer)


class TestShares:
    def test_are_written_and_ended(self, client, agreement):
        other = GuardianFactory(household=agreement.household, given_name="Robin", is_primary=False)
        url, first = to("share_payment", agreement), f"share_{agreement.guardian_id}"
        day = {"from_on": "2026-02-10", **SIGNED}
        assert send(client, url, **{first: "60", f"share_{other.pk}": "40"}, **day).status_code == 302
        assert "60%" in text(client.get(url))
        assert send(client, url, end="1", **day).status_code == 302
        assert not PayerShare.objects.filter(until_on=None).exists()

    def test_make_the_whole(self, client, agreement):
        other = GuardianFactory(household=agreement.household, is_primary=False)
        fields = {f"share_{agreement.guardian_id}": "60", f"share_{other.pk}": "30", "from_on": "2026-02-10", **SIGNED}
        answer = send(client, to("share_payment", agreement), **fields)
        assert answer.status_code == 422
        assert "90 per cent together" in text(answer)

    def test_begin_today_or_later(self, client, agreement):
        other = GuardianFactory(household=agreement.household, is_primary=False)
        fields = {f"share_{agreement.guardian_id}": "60", f"share_{other.pk}": "40", "from_on": "2026-02-09", **SIGNED}
        assert "fell due before stays as it was" in text(send(client, to("share_payment", agreement), **fields))

    def test_one_guardian_alone_is_sent_to_add_another(self, client, agreement):
        assert "Add a guardian" in text(client.get(to("share_payment", agreement)))


class TestTransfer:
    @pytest.fixture
    def other(self):
        return HouseholdFactory(name="Quillfeather")

    def test_finds_guardians_of_the_household_and_of_others(self, client, agreement, other):
        GuardianFactory(household=agreement.household, given_name="Robin", is_primary=False)
        shown = text(client.get(to("transfer", agreement), {"q": "Quillfeather"}))
        assert "Robin" in shown
        assert to("transfer_to", agreement, other.guardians.get().pk) in shown
        assert "$37.89 stays with" in shown

    def test_goes_on_with_the_new_household_and_leaves_the_debt(self, client, agreement, other):
        before = billing.sum_balance(agreement.household_id)
        assert send(client, to("transfer_to", agreement, other.guardians.get().pk), **SIGNED).status_code == 302
        made = Agreement.objects.get(follows=agreement)
        assert made.household == other
        assert (billing.sum_balance(agreement.household_id), billing.sum_balance(other.pk)) == (before, 0)
        charge = charges.charge_period(agreement=made, period=0, acting_user=SpecialistFactory(), now=NOW)
        assert (charge.household, charge.period_begins_on) == (other, D(2026, 2, 28))

    def test_of_a_text_that_is_no_longer_so_is_not_signed(self, client, agreement, other):
        url = to("transfer_to", agreement, other.guardians.get().pk)
        fields = {**hidden(client, url), **SIGNED}
        charges.charge_period(agreement=agreement, period=1, acting_user=SpecialistFactory(), now=NOW)
        answer = client.post(url, fields)
        assert answer.status_code == 409
        assert "Something in this agreement changed" in text(answer)
        assert not Agreement.objects.filter(follows=agreement).exists()

    def test_bills_what_has_begun_to_the_household_it_was_with(self, client, agreement, other, time_machine):
        months_later(time_machine, client)
        send(client, to("transfer_to", agreement, other.guardians.get().pk), **SIGNED)
        billed = Charge.objects.filter(agreement=agreement).order_by("period")
        assert [charge.period for charge in billed] == [0, 1, 2]
        assert life.list_segments(Agreement.objects.get(follows=agreement))[0].begins_on == D(2026, 4, 30)

    def test_credit_goes_along(self, client, agreement, other):
        pay(agreement, Decimal("37.89"))
        send(client, to("transfer_to", agreement, other.guardians.get().pk), **SIGNED)
        made = Agreement.objects.get(follows=agreement)
        assert billing.sum_rental_credit(made.pk).credit == Decimal("30.00")

    def test_sent_twice_makes_one(self, client, agreement, other):
        url = to("transfer_to", agreement, other.guardians.get().pk)
        fields = {**hidden(client, url), **SIGNED}
        assert [client.post(url, fields).url for _ in range(2)] == [
            reverse("agreement", args=[Agreement.objects.get(follows=agreement).pk])
        ] * 2


def pay(agreement: Agreement, amount: Decimal) -> None:
    payments.record_payment(
        household=agreement.household,
        method="cash",
        cheque_number="",
        amount=amount,
        received_on=TODAY,
        acting_user=SpecialistFactory(),
        now=NOW,
        request_key=uuid.uuid4(),
    )


class TestVoid:
    @pytest.fixture
    def fresh(self):
        OfficeFactory()
        made = AgreementFactory(unit=True, starts_on=TODAY, signed_at=NOW - datetime.timedelta(hours=2))
        charges.charge_period(agreement=made, period=0, acting_user=SpecialistFactory(), now=NOW)
        pay(made, Decimal("37.89"))
        return made

    def test_takes_the_charges_back_and_keeps_the_money_on_account(self, client, fresh):
        url = to("void", fresh)
        shown = text(client.get(url))
        assert "$37.89" in shown
        assert reverse("household", args=[fresh.household_id]) in shown
        assert send(client, url, reason="Wrong child", location=LocationFactory().pk).status_code == 302
        fresh.refresh_from_db()
        assert fresh.end_reason == "voided"
        assert not Charge.objects.filter(agreement=fresh, void_entry=None).exists()
        assert billing.sum_balance(fresh.household_id) == Decimal("-37.89")

    def test_is_offered_on_the_day_only(self, client, fresh, time_machine):
        assert "Void, signed by mistake today" in text(client.get(reverse("agreement", args=[fresh.pk])))
        time_machine.move_to(NOW + datetime.timedelta(days=1), tick=False)
        sign_in_again(client)
        assert "Void, signed by mistake today" not in text(client.get(reverse("agreement", args=[fresh.pk])))
        answer = client.get(to("void", fresh))
        assert answer.status_code == 409
        assert "only on that day" in text(answer)


class TestTheRecallFlow:
    def test_is_refused_when_all_was_paid_meanwhile(self, agreement):
        who = {"acting_user": ManagerFactory(), "now": NOW, "today": TODAY}
        pay(agreement, Decimal("37.89"))
        with pytest.raises(operations.NothingPastDueError):
            operations.recall_agreement(agreement=agreement, reason="Late", sent=Sent(uuid.uuid4()), **who)

    def test_sent_again_after_the_debt_is_paid_gives_the_same_answer(self, agreement):
        who = {"acting_user": ManagerFactory(), "now": NOW, "today": TODAY}
        sent = Sent(uuid.uuid4(), life.last_seen(agreement))
        first = operations.recall_agreement(agreement=agreement, reason="Late", sent=sent, **who)
        pay(agreement, Decimal("37.89"))
        assert operations.recall_agreement(agreement=agreement, reason="Late", sent=sent, **who) == first
        assert first.detail["back_by"] == (TODAY + datetime.timedelta(days=holds.RECALL_DAYS)).isoformat()

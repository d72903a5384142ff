"""What a tablet brings back: each sign-up kept once, as an agreement, a promise or a question for a person."""

import copy
import datetime
import json
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from billing.models import Charge, Payment, Taking
from rentals.agreements.models import Agreement, NightSignUp, Rate, UnitPromise
from rentals.counter.nights.intake import keeping, operations
from rentals.counter.nights.intake.envelope import NotAnEnvelopeError, read_envelope
from rentals.families.models import Household
from rentals.inventory.models import Custody
from rentals.inventory.queries import get_whereabouts
from rentals.staff.models import User
from schools import line
from schools.models import NightUnit, WaitingNumber
from tests.counter.nights.tablets import ADULT, CHILD, FAMILY, Tablet, at, open_night
from tests.factories import ManagerFactory, SpecialistFactory
from tests.families.factories import HouseholdFactory, StudentFactory
from tests.inventory.factories import ProductFactory, kind
from tests.schools.factories import RequiredItemFactory

pytestmark = pytest.mark.django_db
NEXT_DOOR = {
    "household": {**FAMILY, "name": "Other", "street": "2 Elm"},
    "guardian": {**ADULT, "phone": "+13125550143", "email": "", "family_name": "Other"},
}
NOTHING = {"method": "none", "amount": "0.00", "cheque_number": ""}


@pytest.fixture
def night():
    return open_night("CL-1", "CL-2")


@pytest.fixture
def tablet(night):
    return Tablet(night)


def take_in(night, sent, *, days_later=0):
    later = datetime.timedelta(days=days_later)
    now = max(timezone.now(), at(night.on, 18, 30)) + later
    return operations.take_in(
        envelope=read_envelope(sent),
        night=night,
        acting_user=night.staff.get().user,
        now=now,
        today=night.on + later,
    )


class TestArrives:
    def test_makes_the_agreement_as_it_was_shown_and_signed(self, night, tablet):
        sent = tablet.envelope("CL-1")
        row = take_in(night, sent)
        assert (row.state, row.why) == ("arrived", "")
        agreement = row.agreement
        assert agreement.starts_on == night.on
        assert agreement.signature.text_sha256 == sent["shown"]["text_sha256"]
        assert agreement.units.get().instrument.asset_tag == "CL-1"
        assert get_whereabouts(agreement.units.get().instrument).place == Custody.Place.FAMILY
        assert NightUnit.objects.get(instrument__asset_tag="CL-1").outcome == "given"
        assert Payment.objects.get().amount == Decimal(sent["shown"]["due_today"])
        assert row.sealed is None

    def test_puts_the_money_into_the_evenings_takings_when_it_arrives_two_days_later(self, tablet, night):
        row = take_in(night, tablet.envelope("CL-1"), days_later=2)
        assert row.state == "arrived", row.why
        assert Taking.objects.get().day == night.on
        assert row.agreement.starts_on == night.on
        assert Payment.objects.get().received_on == night.on

    def test_gives_the_same_answer_when_it_is_sent_again(self, night, tablet):
        sent = tablet.envelope("CL-1")
        first = take_in(night, sent)
        again = take_in(night, {**sent, "was_offline": False, "sequence": 9})
        assert first.agreement == again.agreement
        assert (Agreement.objects.count(), Payment.objects.count(), NightSignUp.objects.count()) == (1, 1, 1)

    def test_refuses_another_sign_up_under_the_same_id(self, night, tablet):
        sent = tablet.envelope("CL-1")
        take_in(night, sent)
        with pytest.raises(NotAnEnvelopeError):
            take_in(night, {**sent, "protection": not sent["protection"]})

    @pytest.mark.parametrize("tag", ["CL-1", None])
    def test_ends_the_number_that_was_called_on_that_tablet(self, night, tablet, tag):
        who, came = night.staff.get().user, at(night.on, 17, 40)
        for _ in range(2):
            line.take_a_number(night=night, request_key=uuid.uuid4(), acting_user=who, now=came)
        line.call_next(night=night, acting_user=who, device=tablet.device, now=came)
        take_in(night, tablet.envelope(tag, waiting=2))
        assert not WaitingNumber.objects.exclude(done_at=None).exists()
        row = take_in(night, tablet.envelope(tag, waiting=1, **NEXT_DOOR))
        assert row.waiting == 1
        # As it was signed at 18:05, whenever it arrived.
        assert WaitingNumber.objects.get(number=1).done_at == at(night.on, 18, 5)

    def test_brings_goods_along(self, night, tablet):
        product = ProductFactory(name="Cork grease")
        RequiredItemFactory(programme=night.programmes.get(), kind=kind("clarinet"), product=product)
        tablet = Tablet(night)
        row = take_in(night, tablet.envelope("CL-1", goods=[{"product": product.pk, "quantity": 2}]))
        assert row.state == "arrived", row.why
        assert row.agreement.goods.get().quantity == 2

    def test_two_children_of_one_family_from_two_tablets_end_in_one_household(self, night, tablet):
        other = Tablet(night)
        take_in(night, tablet.envelope("CL-1"))
        take_in(night, other.envelope("CL-2", student={**CHILD, "given_name": "Rain"}))
        household = Household.objects.get()
        assert household.agreements.count() == household.students.count() == 2
        assert household.guardians.count() == 1

    def test_a_like_name_at_another_street_stays_a_family_of_its_own(self, night, tablet):
        take_in(night, tablet.envelope("CL-1"))
        take_in(night, tablet.envelope("CL-2", household={**FAMILY, "street": "9 Other Road"}))
        assert Household.objects.count() == 2

    def test_takes_a_known_family_named_by_its_number(self, night):
        home = HouseholdFactory(name="Lindqvist")
        child = StudentFactory(household=home, programme=night.programmes.get())
        tablet = Tablet(night)
        chosen = {"household": {"id": home.pk}, "guardian": {"id": home.guardians.get().pk}, "student": {"id": child.pk}}
        sent = tablet.envelope("CL-1", **chosen)
        assert home.street not in json.dumps(sent)
        assert take_in(night, sent).agreement.household == home

    def test_leaves_the_first_payment_open_where_a_manager_agreed(self, night, tablet):
        User.objects.filter(pk=night.staff.get().user_id).update(role="manager")
        row = take_in(night, tablet.envelope("CL-1", payment=NOTHING))
        assert row.state == "arrived", row.why
        assert not Payment.objects.exists()
        assert Charge.objects.count() == 1


class TestWithoutUnit:
    def test_a_unit_another_family_has_makes_a_promise(self, night, tablet):
        other = Tablet(night)
        take_in(night, tablet.envelope("CL-1"))
        second = other.envelope(
            "CL-1",
            household={**FAMILY, "name": "Other", "street": "2 Elm"},
            guardian={**ADULT, "phone": "+13125550143", "email": "", "family_name": "Other"},
        )
        row = take_in(night, second)
        assert row.state == "arrived", row.why
        promise = UnitPromise.objects.get()
        assert promise.agreement == row.agreement
        assert promise.promised.asset_tag == "CL-1"
        assert not row.agreement.units.exists()
        assert row.agreement.signature.text_sha256 == second["shown"]["text_sha256"]
        assert Payment.objects.count() == 2

    def test_a_sign_up_without_a_unit_is_to_be_assigned(self, night, tablet):
        row = take_in(night, tablet.envelope(None))
        assert row.state == "arrived", row.why
        assert UnitPromise.objects.get().promised is None


class TestNeedsAPerson:
    def dearer(self, night):
        rate = Rate.objects.get()
        rate.pk, rate.monthly_rent, rate.effective_from = None, rate.monthly_rent * 2, night.on
        rate.save()

    def test_another_price_is_never_signed(self, night, tablet):
        sent = tablet.envelope("CL-1")
        self.dearer(night)
        row = take_in(night, sent)
        assert (row.state, row.reason) == ("attention", "prices")
        assert [what for what, _, _ in row.differs] == ["Due at signing", "Each month"]
        assert not Agreement.objects.exists()
        assert not Household.objects.exists()
        assert keeping.open_envelope(row) == sent
        assert b"Orchard" not in bytes(row.sealed)

    @pytest.mark.parametrize(
        ("changes", "reason"),
        [
            ({"plan_version": 10**6}, "no_plan"),
            ({"programme": 10**6}, "programme"),
            ({"household": {"id": 10**6}, "guardian": {"id": 1}, "student": {"id": 1}}, "family"),
            ({"goods": [{"product": "gone", "quantity": 1}]}, "goods"),
            ({"payment": {"method": "cash", "amount": "1.00", "cheque_number": ""}}, "paid_less"),
        ],
    )
    def test_says_why(self, night, tablet, changes, reason):
        row = take_in(night, {**tablet.envelope("CL-1"), **changes})
        assert (row.state, row.reason) == ("attention", reason)
        assert row.why
        assert not Agreement.objects.exists()

    def test_a_changed_text_is_never_signed(self, night, tablet):
        sent = copy.deepcopy(tablet.envelope("CL-1"))
        sent["shown"]["text_sha256"] = "0" * 64
        assert take_in(night, sent).reason == "text"

    @pytest.mark.parametrize(("role", "state"), [("specialist", "attention"), ("manager", "arrived")])
    def test_nothing_paid_waits_for_a_manager(self, night, tablet, role, state):
        row = take_in(night, tablet.envelope("CL-1", payment=NOTHING))
        assert (row.state, row.reason) == ("attention", "paid_less")
        assert "A manager can agree to less." in row.why
        assert not Agreement.objects.exists()
        who = SpecialistFactory() if role == "specialist" else ManagerFactory()
        row = operations.take_in_after_all(row=row, changes={}, acting_user=who, now=timezone.now(), today=night.on)
        assert row.state == state, row.why
        assert Charge.objects.count() == (state == "arrived")
        assert not Payment.objects.exists()

    def test_a_manager_who_was_not_told_has_not_agreed_to_less(self, night, tablet):
        row = take_in(night, {**tablet.envelope("CL-1", payment=NOTHING), "programme": 10**6})
        sent = {**keeping.open_envelope(row), "programme": night.programmes.get().pk}
        row.sealed = keeping.seal_envelope(sent)
        row.save()
        row = operations.take_in_after_all(row=row, changes={}, acting_user=ManagerFactory(), now=timezone.now(), today=night.on)
        assert (row.state, row.reason) == ("attention", "paid_less")

    def test_long_after_the_night(self, night, tablet):
        assert take_in(night, tablet.envelope("CL-1"), days_later=15).reason == "too_late"

    def test_the_same_student_twice(self, night, tablet):
        take_in(night, tablet.envelope("CL-1"))
        assert take_in(night, tablet.envelope("CL-2")).reason == "twice"

    def test_is_taken_in_after_all_with_an_address_put_right(self, night, tablet):
        sent = tablet.envelope("CL-1")
        wrong = {**sent, "payment": {**sent["payment"], "amount": "1.00"}}
        row = take_in(night, wrong)
        manager = night.staff.get().user
        row.sent_by.role = "manager"
        row.sent_by.save()
        row = operations.take_in_after_all(
            row=row,
            changes={"household": {"street": "7 Orchard Lane"}},
            acting_user=manager,
            now=timezone.now(),
            today=night.on,
        )
        assert row.state == "arrived", row.why
        assert Household.objects.get().street == "7 Orchard Lane"
        assert row.agreement.signature.text_sha256 == sent["shown"]["text_sha256"]
        assert row.resolved_by == manager

    def test_is_discarded_by_a_named_person_and_forgotten_after_thirty_days(self, night, tablet):
        row = take_in(night, {**tablet.envelope("CL-1"), "programme": 10**6})
        row = operations.discard(row=row, reason="Signed twice", acting_user=night.staff.get().user, now=timezone.now())
        assert row.state == "discarded"
        assert keeping.purge_envelopes(now=timezone.now() + datetime.timedelta(days=29)) == 0
        assert keeping.purge_envelopes(now=timezone.now() + datetime.timedelta(days=31)) == 1
        with pytest.raises(operations.SettledError):
            operations.discard(row=row, reason="Again", acting_user=night.staff.get().user, now=timezone.now())


class TestAddress:
    def post(self, client, sent):
        return client.post(reverse("night_take_in"), json.dumps(sent), content_type="application/json")

    def test_answers_with_the_agreement_and_its_unit(self, client, night, tablet):
        client.force_login(night.staff.get().user)
        sent = tablet.envelope("CL-1")
        answer = self.post(client, sent)
        assert answer.status_code == 200
        assert answer.json()["outcome"] == "arrived"
        assert answer.json()["unit"] == "CL-1"
        assert self.post(client, sent).json() == answer.json()

    @pytest.mark.parametrize(
        ("changes", "field"),
        [
            ({"format": 7}, "format"),
            ({"id": "x"}, "id"),
            ({"goods": [{"product": "x", "quantity": -1}]}, "goods.quantity"),
            ({"guardian": {**ADULT, "phone": "", "email": ""}}, "guardian.phone"),
            ({"household": {**FAMILY, "street": ""}}, "household.street"),
            ({"payment": {"method": "cash", "amount": "-5.00", "cheque_number": ""}}, "payment.amount"),
            ({"payment": {"method": "card", "amount": "5.00", "cheque_number": ""}}, "payment.method"),
            ({"made_at": "yesterday"}, "made_at"),
        ],
    )
    def test_refuses_what_cannot_be_a_sign_up_and_names_the_field(self, client, night, tablet, changes, field):
        client.force_login(night.staff.get().user)
        answer = self.post(client, {**tablet.envelope("CL-1"), **changes})
        assert answer.status_code == 422
        assert answer.json()["field"] == field
        assert not NightSignUp.objects.exists()

    def test_another_persons_night_does_not_exist(self, client_as, night, tablet):
        assert self.post(client_as("specialist"), tablet.envelope("CL-1")).status_code == 404
        assert client_as("specialist").get(reverse("tablet_pack", args=[night.pk])).status_code == 404
        assert self.post(client_as("technician"), tablet.envelope("CL-1")).status_code == 403

    def test_a_stranger_is_asked_to_sign_in(self, client, tablet):
        assert self.post(client, tablet.envelope("CL-1")).status_code == 302

"""What waited days come to, worked by hand, and the credit for them. Common practice, no source: actual days, half up."""

import datetime
import uuid
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction

from billing import charges, credits, payments, rental_credit, verify, waited
from billing.models import Adjustment, Allocation, WaitedCredit
from rentals.agreements import operations as agreements
from rentals.agreements.models import AgreementUnit, UnitPromise
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory
from tests.factories import ManagerFactory, SpecialistFactory, TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db
D = Decimal
SIGNED = datetime.datetime(2026, 1, 31, 18, tzinfo=datetime.UTC)


@pytest.fixture
def rosa():
    OfficeFactory()
    return SpecialistFactory()


@pytest.fixture
def clerk():
    return ManagerFactory()


@pytest.fixture
def promise():
    """A family that signed on January 31 at a rent of 20.00 and has no instrument yet."""
    agreement = AgreementFactory()
    return UnitPromise.objects.create(agreement=agreement, item=agreement.item, why="Given twice", made_at=SIGNED)


def later(days):
    """So many days after signing."""
    return SIGNED + datetime.timedelta(days=days)


def on_shelf(item):
    return InstrumentFactory(item=item, place__began_at=SIGNED)


def pay(promise, clerk, amount="26.65", *, period=0):
    charges.charge_period(agreement=promise.agreement, period=period, acting_user=clerk, now=NOON)
    told = {"method": "cash", "amount": D(amount), "received_on": DAY, "acting_user": clerk, "now": NOON}
    return payments.record_payment(household=promise.agreement.household, **told)


def come(promise, days):
    """The instrument comes so many days after signing."""
    who = {"acting_user": SpecialistFactory(), "now": later(days)}
    agreements.assign_unit(agreement=promise.agreement, instrument=on_shelf(promise.item), night=None, **who)
    return UnitPromise.objects.get(pk=promise.pk)


def measured(promise):
    found = waited.get_waited(promise, today=DAY)
    return (
        found.days,
        [(str(each.paid), each.days, each.of_days, str(each.amount)) for each in found.periods],
        str(found.amount),
    )


def give(promise, shown, who, **words):
    now = NOON + datetime.timedelta(days=1)
    told = {"promise": promise, "shown": D(shown), "request_key": uuid.uuid4(), "acting_user": who, "now": now, **words}
    return (waited.give_nothing_back if "reason" in words else waited.give_back)(**told)


class TestMeasure:
    # The first period is January 31 to February 28, exclusive: 28 days; the second is February 28 to March 31: 31 days.
    @pytest.mark.parametrize(
        ("days", "came"),
        [
            (0, "0"),
            (4, "2.86"),  # 20.00 x 4 / 28 = 2.857
            (7, "5.00"),  # 20.00 x 7 / 28
            (28, "20.00"),
        ],
    )
    def test_is_the_share_of_the_rent_paid_by_actual_days(self, promise, clerk, days, came):
        pay(promise, clerk)
        found = waited.get_waited(come(promise, days), today=DAY)
        assert (found.days, found.amount) == (days, D(came))

    def test_goes_on_over_the_end_of_a_period_each_rounded_once(self, promise, clerk):
        pay(promise, clerk)
        pay(promise, clerk, period=1)
        # 20.00 x 28 / 28 = 20.00 and 20.00 x 2 / 31 = 1.290
        rows = [("20.00", 28, 28, "20.00"), ("20.00", 2, 31, "1.29")]
        assert measured(come(promise, 30)) == (30, rows, "21.29")

    def test_counts_rent_that_is_really_paid_only(self, promise, clerk, rosa):
        paid = pay(promise, clerk, "11.65")  # tax 1.65 is paid with the rent: some of it is left open
        promise = come(promise, 7)
        rent = Allocation.objects.filter(line__kind="rent", line__is_tax=False).get().amount
        assert rent < D("20.00")
        assert measured(promise)[2] == str(waited.prorated(rent, 7, 28))
        payments.return_payment(payment=paid, reason="NSF", returned_on=DAY, acting_user=clerk, now=NOON)
        assert measured(promise)[2] == "0.00"
        note = {"kind": "adjustment", "amount": D("26.65"), "reason": "Late", "on": DAY, "acting_user": clerk, "now": NOON}
        with transaction.atomic():
            credits.write_credit_note(household=promise.agreement.household, agreement=promise.agreement, **note)
        assert measured(promise)[2] == "0.00"
        assert waited.list_proposals() == []

    def test_leaves_out_the_days_with_a_loaner(self, promise, clerk):
        pay(promise, clerk)
        other = {"agreement": promise.agreement, "acting_user": clerk}
        lent = on_shelf(promise.item)
        agreements.assign_loaner(instrument=lent, now=later(2), **other)
        agreements.return_loaner(location=LocationFactory(), now=later(5), **other)
        found = waited.get_waited(come(promise, 7), today=DAY)
        assert (found.days, found.lent_days, found.amount) == (4, 3, D("2.86"))

    def test_says_what_it_comes_to_so_far(self, promise, clerk):
        pay(promise, clerk)
        assert waited.get_waited(promise, today=datetime.date(2026, 2, 7)).amount == D("5.00")
        assert waited.list_proposals() == []


class TestGiveBack:
    def test_is_an_adjustment_with_the_arithmetic_beside_it(self, promise, clerk, rosa):
        pay(promise, clerk)
        promise = come(promise, 7)
        assert [each.amount for each in waited.list_proposals()] == [D("5.00")]
        made = give(promise, "5.00", rosa)
        adjustment = made.adjustment
        assert (adjustment.direction, adjustment.amount, adjustment.state) == ("less", D("5.00"), "granted")
        assert adjustment.reason.startswith("Waited 7 days for the instrument")
        assert made.working == [["2026-01-31", "2026-02-27", "20.00", 7, 28, "5.00"]]
        assert waited.list_proposals() == []
        assert [breach for __, breach in verify.run_checks() if breach] == []

    def test_builds_up_no_rental_credit_and_takes_none(self, promise, clerk, rosa):
        pay(promise, clerk)
        give(come(promise, 7), "5.00", rosa)
        assert rental_credit.sum_rental_credit(promise.agreement_id).rent_paid == D("20.00")
        # The next month is 26.65: the credit pays 5.00 of it, so money pays only 21.65, and no more than that is rent paid.
        charges.charge_period(agreement=promise.agreement, period=1, acting_user=clerk, now=NOON + datetime.timedelta(days=2))
        told = {
            "method": "cash",
            "amount": D("21.65"),
            "received_on": DAY,
            "acting_user": clerk,
            "now": NOON + datetime.timedelta(days=2),
        }
        payments.record_payment(household=promise.agreement.household, **told)
        rent = Allocation.objects.filter(line__kind="rent", line__is_tax=False, released_at=None)
        by_money = sum(each.amount for each in rent if each.payment_id)
        by_credit = sum(each.amount for each in rent if each.credit_note_id)
        assert by_money + by_credit == D("40.00")
        assert by_credit > 0
        assert rental_credit.sum_rental_credit(promise.agreement_id).rent_paid == by_money < D("40.00")

    def test_above_the_limit_another_person_decides(self, promise, clerk, rosa):
        office = OfficeFactory()
        office.approval_limit = D("1.00")
        office.save()
        pay(promise, clerk)
        made = give(come(promise, 7), "5.00", rosa)
        assert made.adjustment.state == Adjustment.State.ASKED
        assert not Allocation.objects.filter(credit_note__isnull=False).exists()

    def test_is_decided_once(self, promise, clerk, rosa):
        pay(promise, clerk)
        promise = come(promise, 7)
        key = uuid.uuid4()
        first, again = give(promise, "5.00", rosa, request_key=key), give(promise, "5.00", rosa, request_key=key)
        assert first == again
        with pytest.raises(waited.WaitDecidedError, match=r"5\.00 was given back"):
            give(promise, "5.00", clerk)
        assert Adjustment.objects.count() == 1

    def test_refuses_another_amount_than_was_shown(self, promise, clerk, rosa):
        pay(promise, clerk)
        with pytest.raises(waited.WaitChangedError, match=r"come to \$5\.00"):
            give(come(promise, 7), "9.00", rosa)

    def test_refuses_while_the_instrument_is_still_to_come(self, promise, clerk, rosa):
        pay(promise, clerk)
        with pytest.raises(waited.WaitChangedError):
            give(promise, str(waited.get_waited(promise, today=datetime.date(2026, 3, 11)).amount), rosa)
        assert not WaitedCredit.objects.exists()

    def test_nothing_takes_a_reason(self, promise, clerk, rosa):
        pay(promise, clerk)
        promise = come(promise, 7)
        with pytest.raises(credits.ReasonMissingError):
            give(promise, "5.00", rosa, reason=" ")
        assert give(promise, "5.00", rosa, reason="The family came late for it").adjustment is None
        assert waited.list_proposals() == []
        assert not Adjustment.objects.exists()

    def test_is_not_for_everybody(self, promise, clerk):
        pay(promise, clerk)
        with pytest.raises(PermissionDenied):
            give(come(promise, 7), "5.00", TechnicianFactory())

    def test_the_database_keeps_one_decision_with_its_ground(self, promise, clerk):
        facts = {"promise": promise, "days": 1, "amount": D("1"), "working": [], "decided_at": NOON, "decided_by": clerk}
        with pytest.raises(IntegrityError, match="waited_credit_given_or_said_why_not"), transaction.atomic():
            WaitedCredit.objects.create(**facts)
        WaitedCredit.objects.create(**facts, reason="x")
        with pytest.raises(IntegrityError, match="promise_id"), transaction.atomic():
            WaitedCredit.objects.create(**facts, reason="y")


def test_a_loaner_does_not_keep_the_promise(promise, clerk):
    agreements.assign_loaner(agreement=promise.agreement, instrument=on_shelf(promise.item), acting_user=clerk, now=later(2))
    assert UnitPromise.objects.get().is_open
    assert AgreementUnit.objects.get().role == "loaner"
    assert [breach for check, breach in verify.run_checks() if breach and check.invariant in {4, 5}] == []

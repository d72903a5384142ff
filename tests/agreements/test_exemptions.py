"""Exempt households: the certificate, where and how long it holds, and that bills follow it."""

import datetime
import uuid
from decimal import Decimal

import pytest

from billing import charges, runs
from billing.models import BillingRun
from rentals.agreements import exemptions
from rentals.agreements.exemptions import Certificate, end_exemption, list_expiring, record_exemption
from rentals.agreements.models import TaxExemption
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory, TaxAreaFactory
from tests.factories import BookkeeperFactory

D = Decimal
FIRST, LAST = datetime.date(2026, 2, 1), datetime.date(2026, 2, 28)


@pytest.fixture
def clerk(db):
    return BookkeeperFactory()


def record(household, clerk, number="E-100", area=None, from_on=FIRST, expires_on=LAST, **options):
    certificate = Certificate(number, area, from_on, expires_on)
    return record_exemption(household=household, certificate=certificate, acting_user=clerk, now=NOON, **options)


def lines(charge):
    return [(line.description, str(line.amount)) for line in charge.lines.order_by("position")]


class TestRecordExemption:
    def test_sent_twice_is_written_once(self, clerk):
        household, key = HouseholdFactory(), uuid.uuid4()
        assert record(household, clerk, request_key=key) == record(household, clerk, request_key=key)
        assert TaxExemption.objects.count() == 1

    @pytest.mark.parametrize(
        ("changes", "error"),
        [
            ({"number": " "}, exemptions.CertificateMissingError),
            ({"expires_on": datetime.date(2026, 1, 31)}, exemptions.ExpiresBeforeItBeginsError),
        ],
    )
    def test_refuses(self, clerk, changes, error):
        with pytest.raises(error):
            record(HouseholdFactory(), clerk, **changes)

    def test_refuses_the_same_again(self, clerk):
        household = HouseholdFactory()
        record(household, clerk)
        with pytest.raises(exemptions.ExemptionRecordedAlreadyError):
            record(household, clerk)


class TestEffect:
    # Rent 20.00 taxed at 8.25 %: January 31 before the certificate, February 28 its last day, March 31 after it.
    def test_bills_of_its_days_carry_no_tax(self, clerk):
        agreement = AgreementFactory()
        record(agreement.household, clerk)
        made = [charges.charge_period(agreement=agreement, period=n, acting_user=clerk, now=NOON) for n in range(3)]
        taxed = [("Rent", "20.00"), ("Sales tax on rent", "1.65"), ("Protection", "5.00")]
        assert [lines(charge) for charge in made] == [taxed, [("Rent", "20.00"), ("Protection", "5.00")], taxed]

    def test_a_run_agrees(self, clerk):
        agreement = AgreementFactory()
        record(agreement.household, clerk)
        run = BillingRun.objects.create(through_on=datetime.date(2026, 3, 31), asked_at=NOON, asked_by=clerk)
        runs.continue_run(run.pk, now=NOON)
        taxes = [c.lines.filter(is_tax=True).exists() for c in agreement.charges.order_by("period")]
        assert taxes == [True, False, True]

    def test_goods_carry_no_tax(self, clerk):
        agreement = AgreementFactory()
        record(agreement.household, clerk)
        made = charges.charge_goods(
            household=agreement.household, on=LAST, goods=[charges.Goods("Reeds", D("8.00"))], tax_area=agreement.tax_area,
            acting_user=clerk, now=NOON,
        )  # fmt: skip
        assert lines(made) == [("Reeds", "8.00")]

    def test_only_where_it_holds(self, clerk):
        agreement, elsewhere = AgreementFactory(), TaxAreaFactory(code="elsewhere", name="Elsewhere")
        record(agreement.household, clerk, area=elsewhere)
        made = charges.charge_period(agreement=agreement, period=1, acting_user=clerk, now=NOON)
        assert ("Sales tax on rent", "1.65") in lines(made)

    def test_only_for_that_family(self, clerk):
        record(HouseholdFactory(), clerk)
        made = charges.charge_period(agreement=AgreementFactory(), period=1, acting_user=clerk, now=NOON)
        assert ("Sales tax on rent", "1.65") in lines(made)


class TestEndExemption:
    def test_taxes_what_is_billed_after(self, clerk):
        agreement = AgreementFactory()
        end_exemption(exemption=record(agreement.household, clerk), last_on=datetime.date(2026, 2, 27))
        made = charges.charge_period(agreement=agreement, period=1, acting_user=clerk, now=NOON)
        assert ("Sales tax on rent", "1.65") in lines(made)

    def test_refuses_a_day_before_its_first(self, clerk):
        with pytest.raises(exemptions.ExpiresBeforeItBeginsError):
            end_exemption(exemption=record(HouseholdFactory(), clerk), last_on=datetime.date(2026, 1, 31))


class TestListExpiring:
    @pytest.mark.parametrize(("days", "is_listed"), [(-61, False), (-60, True), (0, True), (60, True), (61, False)])
    def test_lists_sixty_days_around(self, clerk, days, is_listed):
        record(HouseholdFactory(), clerk, from_on=datetime.date(2025, 1, 1), expires_on=DAY + datetime.timedelta(days=days))
        assert list_expiring(DAY).exists() == is_listed

    def test_leaves_out_who_has_a_later_one(self, clerk):
        household = HouseholdFactory()
        record(household, clerk, expires_on=DAY)
        record(household, clerk, number="E-101", expires_on=DAY + datetime.timedelta(days=400))
        assert not list_expiring(DAY).exists()

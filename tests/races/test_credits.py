"""Two at the same moment over one family's credits: decided once, paid back once, recovered once, one late fee."""

from decimal import Decimal
from functools import partial

import pytest

from billing import adjustments, charges, late_fees, payments, refunds, verify, write_offs
from billing.models import Charge, CreditNote, Refund
from rentals.agreements.models import Agreement
from tests.agreements.factories import OfficeFactory
from tests.billing.factories import DAY, NOON, AgreementFactory, HouseholdFactory, PlanFactory, PlanVersionFactory
from tests.factories import BookkeeperFactory, ManagerFactory

pytestmark = pytest.mark.django_db(transaction=True)
D = Decimal


def books_hold():
    return {check.title: breaches for check, breaches in verify.run_checks() if breaches} == {}


def kinds(outcomes):
    return sorted(type(each).__name__ for each in outcomes)


def test_two_managers_decide_once(race):
    OfficeFactory()
    asked = adjustments.AdjustmentAsked(HouseholdFactory(), None, "less", D("80.00"), "Late delivery")
    waiting = adjustments.ask_for_adjustment(asked=asked, acting_user=BookkeeperFactory(), now=NOON)
    managers = [ManagerFactory(), ManagerFactory()]
    outcomes = race(
        *(
            lambda who=who: adjustments.decide_adjustment(adjustment=waiting, is_granted=True, note="", acting_user=who, now=NOON)
            for who in managers
        )
    )
    assert kinds(outcomes) == ["Adjustment", "AdjustmentDecidedError"]
    assert (CreditNote.objects.count(), books_hold()) == (1, True)


def test_money_is_paid_back_once(race):
    clerk, household = BookkeeperFactory(), HouseholdFactory()
    payments.record_payment(household=household, method="cash", amount=D("50.00"), received_on=DAY, acting_user=clerk, now=NOON)
    given = refunds.RefundGiven("transfer", D("40.00"), DAY, "Overpaid")
    pay_back = partial(refunds.make_refund, household=household, given=given, acting_user=clerk, now=NOON)
    assert kinds(race(pay_back, pay_back)) == ["MoreThanUnusedError", "Refund"]
    assert (Refund.objects.count(), books_hold()) == (1, True)


def test_a_write_off_is_recovered_once(race):
    OfficeFactory()
    clerk, agreement = BookkeeperFactory(), AgreementFactory()
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=NOON)
    Agreement.objects.filter(pk=agreement.pk).update(ended_on=DAY, end_reason="returned")
    note = write_offs.write_off_agreement(
        agreement=agreement, amount=D("26.65"), reason="Gone", acting_user=ManagerFactory(), now=NOON
    )
    given = payments.PaymentGiven("cash", D("10.00"), DAY)
    recover = partial(write_offs.take_recovery, credit_note=note, given=given, acting_user=clerk, now=NOON)
    assert kinds(race(recover, recover)) == ["NotWrittenOffError", "Payment"]
    assert (write_offs.list_write_offs(agreement.household).get().amount, books_hold()) == (D("16.65"), True)


def test_late_fees_of_two_jobs_are_charged_once(race):
    clerk = BookkeeperFactory()
    version = PlanVersionFactory(plan=PlanFactory(code="late"), late_fee=D("5.00"), grace_days=7)
    for _ in range(4):
        charges.charge_period(agreement=AgreementFactory(plan_version=version), period=0, acting_user=clerk, now=NOON)
    made = race(*[lambda: late_fees.charge_late_fees(today=DAY, now=NOON, acting_user=clerk)] * 2)
    assert (sum(made), Charge.objects.filter(kind="fee").count(), books_hold()) == (4, 4, True)

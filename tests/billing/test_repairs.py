"""Repairs that a family pays: charged when they go back, to the cent, once, never above what was agreed, and undone by a void."""

import datetime
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from billing import charges, repairs, verify
from billing import queries as billing
from billing.models import Charge, RepairCharge
from rentals.counter.bench import operations as bench
from rentals.inventory import operations, queries
from rentals.inventory.models import BenchRate, BenchSetting, RepairPart, WorkOrder
from rentals.runtime.money import money
from tests.agreements.factories import AgreementFactory
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db
D = Decimal
NOW = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)


@pytest.fixture
def who():
    BenchRate.objects.create(
        from_on=datetime.date(2026, 1, 1),
        cost_per_hour=money("36.00"),
        price_per_hour=money("64.00"),
        set_at=NOW,
        set_by=TechnicianFactory(),
    )
    return {"acting_user": TechnicianFactory(), "now": NOW}


@pytest.fixture
def agreement():
    return AgreementFactory(unit=True, protection=False, tax_area__rates={"goods": "0.0825"})


@pytest.fixture
def order(agreement, who):
    """Twenty-five minutes and three pads of 3.50, with the estimate of 50.00 approved and the playing test passed."""
    unit = agreement.units.get(role="rented").instrument
    taken = bench.take_in(instrument=unit, problem="Dropped", location=LocationFactory(), loaner_tag="", **who)
    operations.decide_payer(order=taken.order, paid_by="family", **who)
    estimate = operations.make_estimate(order=taken.order, covers="New pads", lines=[("Pads", D("50.00"))], **who)
    operations.decide_estimate(estimate=estimate, decision="approved", way="phone", who_said_so="The mother", **who)
    pad = RepairPart.objects.create(sku="pad", name="Pad", cost=money("0.85"), price=money("3.50"), on_hand=9)
    operations.add_labour(order=taken.order, what="Pads", minutes=25, **who)
    operations.use_part(order=taken.order, part=pad, quantity=3, **who)
    return taken.order


def finish(order, who):
    operations.change_state(order=order, to="check", **who)
    operations.record_quality_check(order=order, points=[("Plays", True)], note="", **who)


def hand_back(order, who):
    facts = {"instrument": order.instrument, "work_done": "New pads", "loaner_is_back": False, "location": LocationFactory()}
    return bench.hand_back(**facts, **who)


def lines_of(charge):
    return [(line.description, line.amount) for line in charge.lines.order_by("position")]


class TestChargeRepair:
    def test_to_the_cent_with_tax_line_by_line(self, order, agreement, who):
        finish(order, who)
        hand_back(order, who)
        charge = RepairCharge.objects.get(work_order=order).charge
        what = f"Repair {order.number} of {order.instrument.asset_tag}"
        # 3 x 3.50 = 10.50 and 64.00 x 25/60 = 26.67; 8.25 % of each, half up: 0.866… = 0.87 and 2.2003 = 2.20.
        assert lines_of(charge) == [
            (f"{what}: parts", D("10.50")),
            ("Sales tax on goods", D("0.87")),
            (f"{what}: labour", D("26.67")),
            ("Sales tax on goods", D("2.20")),
        ]
        assert (charge.household, charge.agreement, charge.due_on) == (agreement.household, agreement, datetime.date(2026, 3, 10))
        assert queries.get_whereabouts(order.instrument).custody.household == agreement.household
        assert [check.title for check, breaches in verify.run_checks() if breaches] == []

    def test_labour_untaxed_where_the_bench_is_set_up_so(self, order, who):
        BenchSetting.objects.create(tax_labour=False)
        finish(order, who)
        hand_back(order, who)
        amounts = [amount for __, amount in lines_of(RepairCharge.objects.get().charge)]
        assert amounts == [D("10.50"), D("0.87"), D("26.67")]

    def test_never_more_than_was_agreed(self, order, who):
        operations.add_labour(order=order, what="It took longer", minutes=60, **who)
        finish(order, who)
        hand_back(order, who)
        charge = RepairCharge.objects.get().charge
        # Labour gives way: 50.00 agreed less 10.50 of parts.
        assert [line.amount for line in charge.lines.filter(is_tax=False).order_by("position")] == [D("10.50"), D("39.50")]

    def test_nothing_for_what_goes_back_unrepaired(self, order, who):
        operations.change_state(order=order, to="ready", note="The body is cracked", **who)
        hand_back(order, who)
        assert not Charge.objects.exists()

    def test_nothing_where_protection_pays(self, order, who):
        operations.decide_payer(order=order, paid_by="protection", **who)
        finish(order, who)
        hand_back(order, who)
        assert not Charge.objects.exists()

    def test_is_not_out_before_it_is_ready_and_nothing_is_charged(self, order, who):
        with pytest.raises(operations.NotReadyError):
            hand_back(order, who)
        assert queries.get_whereabouts(order.instrument).place == "bench"
        assert not Charge.objects.exists()

    def test_closed_before_it_goes_back_it_is_charged_when_it_goes(self, order, who):
        finish(order, who)
        operations.close_work_order(order=order, work_done="New pads", **who)
        assert not Charge.objects.exists()
        hand_back(order, who)
        assert RepairCharge.objects.get().work_order == order

    def test_once(self, order, agreement, who):
        finish(order, who)
        hand_back(order, who)
        order.refresh_from_db()
        with pytest.raises(repairs.RepairChargedError):
            repairs.charge_repair(order=order, agreement=agreement, **who)
        with pytest.raises(IntegrityError), transaction.atomic():
            RepairCharge.objects.create(work_order=order, charge_id=1)

    def test_voided_nothing_is_owed_and_it_is_not_charged_again(self, order, agreement, who):
        finish(order, who)
        hand_back(order, who)
        charges.void_charge(charge=RepairCharge.objects.get().charge, reason="A kindness", **who)
        assert billing.sum_balance(agreement.household_id) == 0
        with pytest.raises(repairs.RepairChargedError):
            repairs.charge_repair(order=WorkOrder.objects.get(), agreement=agreement, **who)
        assert [check.title for check, breaches in verify.run_checks() if breaches] == []

    def test_the_loaner_comes_back_in_the_same_move(self, agreement, who):
        unit, spare = agreement.units.get().instrument, InstrumentFactory(item=agreement.item)
        taken = {"instrument": unit, "problem": "Dropped", "location": LocationFactory(), "loaner_tag": spare.asset_tag}
        order = bench.take_in(**taken, **who).order
        operations.decide_payer(order=order, paid_by="shop", **who)
        bench.hand_back(instrument=unit, work_done="New pad", loaner_is_back=True, location=LocationFactory(), **who)
        places = [queries.get_whereabouts(each).place for each in (unit, spare)]
        assert places == ["family", "shelf"]

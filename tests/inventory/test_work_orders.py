"""Work orders: their states, who pays, lines and stock, estimates, the playing test; and what the database refuses by itself."""

import datetime
import re
from decimal import Decimal
from importlib import import_module
from pathlib import Path

import pytest
from django.db import IntegrityError, ProgrammingError, connection, transaction

from rentals.inventory import migrations, operations, work_queries, work_rules
from rentals.inventory.models import BenchRate, BenchSetting, Estimate, QualityCheck, RepairPart, WorkEvent, WorkLine, WorkOrder
from rentals.runtime.money import money
from tests.factories import TechnicianFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, WorkOrderFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 3, 2)
State = WorkOrder.State


@pytest.fixture
def who():
    return {"acting_user": TechnicianFactory(), "now": NOW}


@pytest.fixture
def rate():
    return BenchRate.objects.create(
        from_on=datetime.date(2026, 1, 1),
        cost_per_hour=money("36.00"),
        price_per_hour=money("64.00"),
        set_at=NOW,
        set_by=TechnicianFactory(),
    )


@pytest.fixture
def pad():
    return RepairPart.objects.create(sku="pad-17", name="Pad 17 mm", cost=money("0.85"), price=money("3.50"), on_hand=10)


class TestTable:
    def test_the_database_holds_the_same_pairs(self):
        (name,) = [path.stem for path in Path(migrations.__path__[0]).glob("*_work_order_guards.py")]
        guards = import_module(f"{migrations.__name__}.{name}")
        pairs = {tuple(pair) for pair in re.findall(r"'(\w+)>(\w+)'", guards.STATES)}
        assert pairs == {(state, to) for state, after in work_rules.NEXT_STATES.items() for to in after}

    def test_every_state_is_named_and_can_come_to_its_end(self):
        assert set(work_rules.NEXT_STATES) == {state.value for state in State}
        reached, todo = {"done"}, ["done"]
        while todo:
            target = todo.pop()
            before = [state for state, after in work_rules.NEXT_STATES.items() if target in after and state not in reached]
            reached.update(before)
            todo += before
        assert reached == set(work_rules.NEXT_STATES)

    @pytest.mark.parametrize("state", [state.value for state in State])
    @pytest.mark.parametrize("to", [state.value for state in State])
    def test_the_database_lets_through_exactly_these(self, state, to):
        closed = {"closed_at": NOW, "closed_by": TechnicianFactory()} if state == "done" else {}
        order = WorkOrderFactory(state=state, **closed)
        sets = ["state = %s", "outcome = %s", "closed_at = %s", "closed_by_id = %s"]
        values = [
            to,
            "repaired" if to in {"ready", "done"} else "",
            *([NOW, order.opened_by_id] if to == "done" else [None, None]),
        ]

        def change():
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute(f"UPDATE inventory_workorder SET {', '.join(sets)} WHERE id = %s", [*values, order.pk])

        if to == state or to in work_rules.NEXT_STATES[state]:
            change()
        else:
            with pytest.raises(IntegrityError, match="does not go from"):
                change()


class TestDatabase:
    def refuses(self, sql, *values):
        with pytest.raises((IntegrityError, ProgrammingError)), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(sql, values)

    def test_closed_is_done_and_done_is_closed(self):
        order = WorkOrderFactory()
        self.refuses(
            "UPDATE inventory_workorder SET closed_at = now(), closed_by_id = %s WHERE id = %s", order.opened_by_id, order.pk
        )
        self.refuses("UPDATE inventory_workorder SET state = 'done', outcome = 'repaired' WHERE id = %s", order.pk)

    def test_what_happened_is_never_changed(self, who, owner_cursor):
        order = operations.change_state(order=WorkOrderFactory(), to="bench", **who)
        self.refuses("UPDATE inventory_workevent SET note = 'x' WHERE order_id = %s", order.pk)
        self.refuses("DELETE FROM inventory_workevent WHERE order_id = %s", order.pk)

    def test_lines_of_finished_work_stay(self, who, rate):
        order = WorkOrderFactory()
        line = operations.add_labour(order=order, what="Pad seated", minutes=15, **who)
        operations.close_work_order(order=order, work_done="Pad seated", **who)
        self.refuses("DELETE FROM inventory_workline WHERE id = %s", line.pk)
        self.refuses("UPDATE inventory_workline SET cost = 0 WHERE id = %s", line.pk)

    def test_stock_does_not_go_below_nothing(self, pad):
        self.refuses("UPDATE inventory_repairpart SET on_hand = -1 WHERE sku = %s", pad.pk)

    def test_warranty_names_the_earlier_work(self):
        self.refuses("UPDATE inventory_workorder SET paid_by = 'warranty' WHERE id = %s", WorkOrderFactory().pk)


class TestChangeState:
    def test_is_written_down_with_who_and_when(self, who):
        order = operations.change_state(order=WorkOrderFactory(), to="bench", note="Begun", **who)
        event = WorkEvent.objects.get()
        assert (event.from_state, event.to_state, event.note, event.by, event.at) == (
            "look",
            "bench",
            "Begun",
            who["acting_user"],
            NOW,
        )
        assert (order.state, order.state_since, order.assigned_to, order.version) == ("bench", NOW, who["acting_user"], 2)

    def test_refuses_what_may_not_follow_and_says_what_may(self, who):
        with pytest.raises(operations.StateNotPossibleError, match="It can go to: on the bench, ready"):
            operations.change_state(order=WorkOrderFactory(state="check"), to="parts", **who)

    def test_two_technicians_are_told_of_each_other(self, who):
        order = WorkOrderFactory()
        operations.change_state(order=order, to="bench", version=1, **who)
        with pytest.raises(operations.WorkOrderChangedError) as refused:
            operations.change_state(order=order, to="parts", version=1, **who)
        assert [event.to_state for event in refused.value.events] == ["bench"]

    def test_nobody_pays_nobody_begins(self, who):
        with pytest.raises(operations.PayerNotDecidedError):
            operations.change_state(order=WorkOrderFactory(paid_by="undecided"), to="bench", **who)

    def test_a_family_that_pays_is_asked_first(self, who):
        with pytest.raises(operations.ApprovalNeededError):
            operations.change_state(order=WorkOrderFactory(paid_by="family"), to="bench", **who)

    def test_below_the_threshold_the_shop_goes_ahead(self, who):
        BenchSetting.objects.create(estimate_above=Decimal(25))
        assert operations.change_state(order=WorkOrderFactory(paid_by="family"), to="bench", **who).state == "bench"

    def test_ready_needs_its_test_or_a_reason(self, who):
        order = WorkOrderFactory(state="check")
        with pytest.raises(operations.PlayingTestMissingError):
            operations.change_state(order=order, to="ready", **who)
        done = operations.change_state(order=order, to="ready", note="Crack cannot be mended here", **who)
        assert done.outcome == "unrepaired"


class TestClose:
    def test_waits_for_a_payer_and_for_ready_where_a_family_pays(self, who):
        with pytest.raises(operations.PayerNotDecidedError):
            operations.close_work_order(order=WorkOrderFactory(paid_by="undecided"), work_done="x", **who)
        with pytest.raises(operations.NotReadyError):
            operations.close_work_order(order=WorkOrderFactory(paid_by="family", state="bench"), work_done="x", **who)

    def test_twice_is_refused(self, who):
        order = WorkOrderFactory()
        operations.close_work_order(order=order, work_done="New pad", **who)
        with pytest.raises(operations.WorkOrderClosedError):
            operations.close_work_order(order=order, work_done="New pad", **who)

    def test_notes_the_grade_it_leaves_in(self, who):
        order = WorkOrderFactory()
        operations.close_work_order(order=order, work_done="New pad", grade="worn", **who)
        order.instrument.refresh_from_db()
        assert order.instrument.grade == "worn"


class TestLines:
    def test_cost_and_price_to_the_cent_and_kept_as_they_were(self, who, rate, pad):
        order = WorkOrderFactory()
        operations.add_labour(order=order, what="Pad seated", minutes=25, **who)
        operations.use_part(order=order, part=pad, quantity=3, **who)
        # 36.00 x 25/60 = 15.00, 64.00 x 25/60 = 26.666…; 3 x 0.85 = 2.55, 3 x 3.50 = 10.50.
        assert work_queries.sum_lines(order) == work_queries.Sums(Decimal("17.55"), Decimal("37.17"), 25)
        BenchRate.objects.filter(pk=rate.pk).update(cost_per_hour=money("90.00"))
        RepairPart.objects.filter(pk=pad.pk).update(cost=money("9.00"))
        assert work_queries.sum_lines(order).cost == Decimal("17.55")

    def test_the_rate_is_that_of_the_day(self, who, rate):
        later = {"from_on": datetime.date(2026, 4, 1), "cost_per_hour": Decimal(40), "price_per_hour": Decimal(70)}
        operations.set_rate(**later, acting_user=who["acting_user"], now=NOW, today=TODAY)
        order = WorkOrderFactory()
        costs = []
        for when in (NOW, NOW + datetime.timedelta(days=30)):
            costs.append(operations.add_labour(order=order, what="x", minutes=60, acting_user=who["acting_user"], now=when).cost)
        assert costs == [Decimal("36.00"), Decimal("40.00")]

    def test_without_a_rate_it_says_who_sets_one(self, who):
        with pytest.raises(operations.RateMissingError, match="Bench settings"):
            operations.add_labour(order=WorkOrderFactory(), what="x", minutes=5, **who)

    def test_a_rate_is_not_set_for_the_past(self, who):
        past = {"from_on": TODAY - datetime.timedelta(days=1), "cost_per_hour": Decimal(1), "price_per_hour": Decimal(1)}
        with pytest.raises(operations.RateInThePastError):
            operations.set_rate(**past, today=TODAY, **who)

    def test_more_than_there_is_takes_nothing(self, who, pad):
        with pytest.raises(operations.PartsShortError, match="There are 10 of “Pad 17 mm”"):
            operations.use_part(order=WorkOrderFactory(), part=pad, quantity=11, **who)
        assert RepairPart.objects.get().on_hand == 10
        assert not WorkLine.objects.exists()

    def test_taken_off_again_the_part_is_back(self, who, pad):
        line = operations.use_part(order=WorkOrderFactory(), part=pad, quantity=4, **who)
        operations.take_line_off(line=line, **who)
        operations.take_line_off(line=line, **who)
        assert RepairPart.objects.get().on_hand == 10


class TestEstimate:
    LINES = (("Labour", Decimal("48.00")), ("Pads", Decimal("10.50")))

    def make(self, who, **changes):
        facts = {"order": WorkOrderFactory(paid_by="family"), "covers": "New pads", "lines": self.LINES, **who}
        return operations.make_estimate(**{**facts, **changes})

    def test_waits_for_the_family_and_holds_for_thirty_days(self, who):
        estimate = self.make(who)
        estimate.order.refresh_from_db()
        assert (estimate.order.state, estimate.valid_until) == ("family", datetime.date(2026, 4, 1))
        assert work_queries.sum_estimate(estimate) == Decimal("58.50")

    def test_approved_the_work_goes_on(self, who):
        estimate = self.make(who)
        operations.decide_estimate(estimate=estimate, decision="approved", way="phone", who_said_so="The mother", **who)
        estimate.order.refresh_from_db()
        assert (estimate.order.state, work_queries.get_approved(estimate.order)) == ("bench", Decimal("58.50"))

    def test_declined_it_goes_back_unrepaired(self, who):
        estimate = self.make(who)
        operations.decide_estimate(estimate=estimate, decision="declined", way="person", who_said_so="The father", **who)
        estimate.order.refresh_from_db()
        assert (estimate.order.state, estimate.order.outcome) == ("ready", "unrepaired")

    def test_decided_it_never_changes(self, who):
        estimate = self.make(who)
        operations.decide_estimate(estimate=estimate, decision="approved", way="mail", who_said_so="The mother", **who)
        with pytest.raises(operations.EstimateDecidedError):
            operations.decide_estimate(estimate=estimate, decision="declined", way="mail", who_said_so="x", **who)
        for change in ({"decision": "declined"}, {"covers": "More"}):
            with pytest.raises(IntegrityError), transaction.atomic():
                Estimate.objects.filter(pk=estimate.pk).update(**change)
        with pytest.raises(IntegrityError), transaction.atomic():
            estimate.lines.update(price=1)

    def test_what_was_told_does_not_change_while_it_waits(self, who):
        with pytest.raises(IntegrityError), transaction.atomic():
            Estimate.objects.filter(pk=self.make(who).pk).update(covers="More")

    def test_out_of_date_it_cannot_be_approved(self, who):
        estimate = self.make(who)
        late = {**who, "now": NOW + datetime.timedelta(days=31)}
        with pytest.raises(operations.EstimateOverError):
            operations.decide_estimate(estimate=estimate, decision="approved", way="phone", who_said_so="x", **late)

    def test_a_second_one_withdraws_the_first(self, who):
        first = self.make(who)
        operations.make_estimate(order=first.order, covers="Less", lines=self.LINES[:1], **who)
        first.refresh_from_db()
        assert (first.decision, Estimate.objects.filter(decision="").count()) == ("withdrawn", 1)

    def test_is_for_a_family_that_pays_and_for_a_sum(self, who):
        with pytest.raises(operations.FamilyDoesNotPayError):
            self.make(who, order=WorkOrderFactory())
        with pytest.raises(operations.NothingEstimatedError):
            self.make(who, lines=[("Nothing", Decimal(0))])

    def test_the_family_pays_no_more_than_it_agreed_to(self, who, rate):
        estimate = self.make(who)
        operations.decide_estimate(estimate=estimate, decision="approved", way="phone", who_said_so="The mother", **who)
        operations.add_labour(order=estimate.order, what="Took longer", minutes=60, **who)
        assert work_queries.sum_family_pays(estimate.order) == Decimal("58.50")


class TestQualityCheck:
    POINTS = (("Low notes speak", True), ("Every key moves freely", True))

    def test_passed_it_is_ready(self, who):
        order = WorkOrderFactory(state="check")
        operations.record_quality_check(order=order, points=self.POINTS, note="", **who)
        order.refresh_from_db()
        assert (order.state, order.outcome) == ("ready", "repaired")

    def test_failed_it_goes_back_to_the_bench_with_the_reason(self, who):
        order, points = WorkOrderFactory(state="check"), [*self.POINTS, ("In tune", False)]
        with pytest.raises(operations.ReasonMissingError):
            operations.record_quality_check(order=order, points=points, note=" ", **who)
        operations.record_quality_check(order=order, points=points, note="Flat in the upper register", **who)
        order.refresh_from_db()
        assert (order.state, QualityCheck.objects.get().passed) == ("bench", False)


class TestOwnWarranty:
    @pytest.fixture
    def earlier(self):
        unit = InstrumentFactory()
        closed = NOW - datetime.timedelta(days=90)
        return WorkOrderFactory(
            instrument=unit,
            state="done",
            problem_kind="Pads",
            opened_at=closed,
            closed_at=closed,
            closed_by=TechnicianFactory(),
        )

    def test_is_found_to_the_last_day_for_the_same_sort_of_problem(self, earlier):
        def find(problem_kind, days):
            on = TODAY + datetime.timedelta(days=days)
            return work_queries.find_warranty_work(earlier.instrument, problem_kind=problem_kind, on=on)

        assert [find("Pads", 0), find("Pads", 1), find("Cork", 0), find("", 0)] == [earlier, None, None, None]

    def test_taken_in_under_it_names_the_work(self, who, earlier):
        order = operations.open_work_order(
            instrument=earlier.instrument,
            kind="repair",
            problem="Leaks again",
            problem_kind="Pads",
            location=LocationFactory(),
            again_for=earlier,
            **who,
        )
        assert (order.paid_by, order.again_for) == ("warranty", earlier)

    def test_is_refused_for_another_instrument(self, who, earlier):
        with pytest.raises(operations.WarrantyNotPossibleError):
            operations.decide_payer(order=WorkOrderFactory(), paid_by="warranty", again_for=earlier, **who)


class TestIntake:
    def test_keeps_what_was_seen_and_what_is_missing(self, who):
        seen = operations.Intake(findings=[("Pads", "worn")], parts=[("Case", True, True), ("Neck strap", False, True)])
        order = operations.open_work_order(
            instrument=InstrumentFactory(), kind="repair", problem="Leaks", location=LocationFactory(), intake=seen, **who
        )
        assert [str(note) for note in order.intake.all()] == ["Pads: Worn", "Case: Came along", "Neck strap: Missing"]
        assert re.fullmatch(r"W-\d{5}", order.number)
        assert (order.paid_by, order.happened.get().to_state) == ("shop", "look")

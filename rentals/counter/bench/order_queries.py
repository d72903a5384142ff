"""Everything on the page of one work order."""

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from billing.models import Charge
from billing.repairs import bill_lines
from rentals.counter.bench.queries import Holder, get_holder
from rentals.inventory import operations as fleet
from rentals.inventory import playing_tests, queries, work_queries, work_rules
from rentals.inventory.models import (
    BenchRate,
    BenchSetting,
    Estimate,
    Instrument,
    IntakeNote,
    KindService,
    QualityCheck,
    WorkEvent,
    WorkLine,
    WorkOrder,
)
from rentals.inventory.operations.work_states import check_may_begin
from rentals.runtime.money import ZERO

State = WorkOrder.State
# The buttons of each state: the main one first, with the words on it.
BUTTONS: dict[str, tuple[tuple[str, str], ...]] = {
    State.LOOK: ((State.BENCH, "Begin the work"), (State.PARTS, "Wait for parts")),
    State.BENCH: (
        (State.CHECK, "On to the playing test"),
        (State.PARTS, "Wait for parts"),
        (State.LOOK, "Back to be looked at"),
    ),
    State.FAMILY: ((State.BENCH, "Begin the work"), (State.LOOK, "Back to be looked at")),
    State.PARTS: ((State.BENCH, "The parts are here"),),
    State.CHECK: ((State.BENCH, "Back to the bench"),),
    State.READY: ((State.BENCH, "Back to the bench"),),
    State.DONE: (),
}
TONES = {State.LOOK: "info", State.BENCH: "info", State.FAMILY: "warn", State.PARTS: "warn", State.CHECK: "info"}


@dataclass(frozen=True)
class OrderSheet:
    """One work order, and what the person in front of it may need."""

    order: WorkOrder
    instrument: Instrument
    where: queries.Whereabouts | None
    holder: Holder | None
    lines: list[WorkLine]
    sums: work_queries.Sums
    estimates: list[Estimate]
    setting: BenchSetting
    rate: BenchRate | None
    hindrance: str
    charge: Charge | None
    bill: list[Any]
    tests: list[QualityCheck]
    intake: list[IntakeNote]
    events: list[WorkEvent]
    services: list[KindService]
    warranty: list[WorkOrder]
    points: tuple[str, ...] = field(default=())

    @property
    def status(self) -> dict[str, str]:
        """Its state, in the words and the tone of a status."""
        return {"word": self.order.get_state_display(), "tone": TONES.get(State(self.order.state), "good")}

    @property
    def buttons(self) -> tuple[tuple[str, str], ...]:
        """What can be done with it now, the main act first; work that may not begin yet is not offered."""
        pairs = BUTTONS[self.order.state]
        if self.hindrance:
            pairs = tuple(pair for pair in pairs if pair[0] in {State.LOOK})
        return pairs

    @property
    def may_stop(self) -> bool:
        """Whether it may go back unrepaired."""
        return work_rules.may_follow(self.order.state, State.READY)

    @property
    def may_close(self) -> bool:
        """Whether it can be scanned out from here."""
        ready = work_rules.may_follow(self.order.state, State.DONE) and self.order.paid_by != WorkOrder.PaidBy.UNDECIDED
        return ready and (self.order.paid_by != WorkOrder.PaidBy.FAMILY or self.order.state == State.READY)

    @property
    def open_estimate(self) -> Estimate | None:
        """The estimate that waits for the family's answer."""
        return next((each for each in self.estimates if not each.decision), None)

    @property
    def approved(self) -> Decimal | None:
        """What the family agreed to last, before tax."""
        agreed = [each for each in self.estimates if each.decision == Estimate.Decision.APPROVED]
        newest = max(agreed, key=lambda each: (each.decided_at, each.pk), default=None)
        return None if newest is None else sum((line.price for line in newest.lines.all()), ZERO)

    @property
    def same_work(self) -> WorkOrder | None:
        """Earlier work of the same sort that the shop still answers for, where nobody has said so yet."""
        kind = self.order.problem_kind
        if not kind or not self.order.is_open or self.order.paid_by == WorkOrder.PaidBy.WARRANTY:
            return None
        return next((each for each in self.warranty if each.problem_kind == kind), None)

    @property
    def bill_total(self) -> Decimal:
        """What the family is charged with, tax included."""
        return sum((line.amount for line in self.bill), ZERO)

    @property
    def missing(self) -> list[IntakeNote]:
        """Parts that did not come and must come back."""
        return [note for note in self.intake if note.finding == IntakeNote.Finding.MISSING and note.must_come_back]


def get_order_sheet(order_id: int, today: date) -> OrderSheet | None:
    """Return everything about one work order, None when there is none."""
    people = ("opened_by", "closed_by", "assigned_to", "again_for")
    order = WorkOrder.objects.select_related("instrument__item__kind", *people).filter(pk=order_id).first()
    if order is None:
        return None
    unit = order.instrument
    holder = get_holder(unit, today)
    charge = Charge.objects.filter(repair__work_order=order).prefetch_related("lines").first()
    pays = order.is_open and order.paid_by == WorkOrder.PaidBy.FAMILY and holder is not None
    return OrderSheet(
        order=order,
        instrument=unit,
        where=queries.get_whereabouts(unit),
        holder=holder,
        lines=list(work_queries.list_lines(order)),
        sums=work_queries.sum_lines(order),
        estimates=list(work_queries.list_estimates(order)),
        setting=work_queries.get_bench_setting(),
        rate=work_queries.get_rate(today),
        hindrance=_hindrance(order) if order.is_open else "",
        charge=charge,
        bill=bill_lines(order, holder.unit.agreement, today) if pays and holder else [],
        tests=list(order.quality_checks.select_related("tested_by")),
        intake=list(order.intake.all()),
        events=list(work_queries.list_events(order)[:60]),
        services=list(queries.list_services(unit.item.kind_id)),
        warranty=list(work_queries.list_warranty_work(unit, on=today).exclude(pk=order.pk)),
        points=playing_tests.list_points(order, unit),
    )


def _hindrance(order: WorkOrder) -> str:
    """Say what has to be decided before work beyond looking may begin."""
    try:
        check_may_begin(order)
    except (fleet.PayerNotDecidedError, fleet.ApprovalNeededError) as error:
        return str(error)
    return ""

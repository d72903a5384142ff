"""What the bench may refuse: one class for each failure, told in a sentence a person can act on."""

import datetime
from collections.abc import Sequence

from rentals.inventory import work_rules
from rentals.inventory.models import Estimate, RepairPart, WorkEvent, WorkOrder
from rentals.runtime.templatetags.office import day


class WorkOrderChangedError(Exception):
    """Somebody worked on the order since it was shown; `current` is how it stands now, `events` what happened meanwhile."""

    def __init__(self, current: WorkOrder, events: Sequence[WorkEvent]) -> None:
        self.current, self.events = current, list(events)
        who = f"{self.events[-1].by} has" if self.events else "Somebody has"
        super().__init__(f"{who} worked on {current.number} since you opened it. Look at what changed, and send yours again.")


class StateNotPossibleError(Exception):
    """A work order cannot go from its state to the one that was asked for."""

    def __init__(self, order: WorkOrder, wanted: str) -> None:
        self.order, self.wanted = order, wanted
        there = WorkOrder.State(wanted).label.lower()
        ways = [WorkOrder.State(state).label.lower() for state in work_rules.NEXT_STATES[order.state]]
        way = f" It can go to: {', '.join(ways)}." if ways else " The work is done: open a new work order."
        super().__init__(f"{order.number} is {order.get_state_display().lower()} and cannot go from there to {there}.{way}")


class PayerNotDecidedError(Exception):
    """Nobody has said who pays."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(f"Nobody has said yet who pays for {order.number}: choose it on the work order, then go on.")


class ApprovalNeededError(Exception):
    """The family pays and has not agreed to it."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(
            f"The family pays for {order.number} and has not agreed to a price: make an estimate and record the answer first."
        )


class PlayingTestMissingError(Exception):
    """Work is ready once it passed its playing test."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(f"{order.number} has not passed its playing test: record the test, or say why it goes back unrepaired.")


class NotReadyError(Exception):
    """Work that a family pays for goes out when it is ready."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(
            f"{order.number} is {order.get_state_display().lower()}: bring it to Ready on the work order before it goes out."
        )


class ReasonMissingError(Exception):
    """A few words are needed."""

    def __init__(self, wanted: str) -> None:
        super().__init__(wanted)


class RateMissingError(Exception):
    """No rate of the bench holds on that day."""

    def __init__(self, on: datetime.date) -> None:
        super().__init__(f"No hourly rate of the bench holds on {day(on)}: a manager sets one under Bench settings.")


class PartsShortError(Exception):
    """There are fewer of a part than were to be used."""

    def __init__(self, part: RepairPart, wanted: int) -> None:
        self.part, self.wanted = part, wanted
        super().__init__(
            f"There are {part.on_hand} of “{part.name}” on hand, not {wanted}: use what there is, or count the drawer again."
        )


class PartTakenError(Exception):
    """Another part has this code."""

    def __init__(self, sku: str) -> None:
        super().__init__(f"Another part already has the code {sku}: give this one a code of its own.")


class BenchSettingChangedError(Exception):
    """Somebody changed the same settings since they were shown."""

    def __init__(self) -> None:
        super().__init__("Somebody else changed this meanwhile. Compare, and save again if yours is right.")


class RateInThePastError(Exception):
    """A rate is not set for days gone by."""

    def __init__(self, today: datetime.date) -> None:
        super().__init__(f"A rate holds from today ({day(today)}) or a later day: what is done already keeps its cost.")


class NothingEstimatedError(Exception):
    """An estimate needs a line with a price."""

    def __init__(self) -> None:
        super().__init__("Write at least one line with its price: the family is asked for a sum.")


class EstimateDecidedError(Exception):
    """The estimate has its answer."""

    def __init__(self, estimate: Estimate) -> None:
        self.estimate = estimate
        super().__init__(f"This estimate was {estimate.get_decision_display().lower()} already.")


class EstimateOverError(Exception):
    """The estimate held until a day that is past."""

    def __init__(self, estimate: Estimate) -> None:
        self.estimate = estimate
        super().__init__(f"This estimate held until {day(estimate.valid_until)}: withdraw it and make a new one.")


class FamilyDoesNotPayError(Exception):
    """An estimate is for a family that pays."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(f"Say first that the family pays for {order.number}: an estimate is made for nobody else.")


class WarrantyNotPossibleError(Exception):
    """The earlier work is of another instrument, still open, or too long ago."""

    def __init__(self, why: str) -> None:
        super().__init__(why)

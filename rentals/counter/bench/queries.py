"""What the bench shows about a scanned instrument. About the family no more than the technician needs: a student's initials."""

from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from typing import Any

from rentals.agreements import life
from rentals.agreements.models import AgreementUnit
from rentals.inventory import queries as fleet
from rentals.inventory import reference, rules, work_queries, work_rules
from rentals.inventory.models import Instrument, KindPart, KindService, WorkOrder

MOST_LOANERS = 12
MOST_EARLIER = 5


@dataclass(frozen=True)
class Holder:
    """Who has the instrument on an open agreement, and what that covers."""

    unit: AgreementUnit
    initials: str
    is_covered: bool
    covers: str
    deductible: Decimal
    loaner: Instrument | None

    @property
    def is_loaner(self) -> bool:
        """Whether this instrument is itself the loaner."""
        return self.unit.role == AgreementUnit.Role.LOANER


@dataclass(frozen=True)
class BenchSheet:
    """Everything on the one screen after a scan."""

    instrument: Instrument
    where: fleet.Whereabouts | None
    order: WorkOrder | None
    holder: Holder | None
    loaners: list[Instrument] = field(default_factory=list)
    services: list[KindService] = field(default_factory=list)
    parts: list[KindPart] = field(default_factory=list)
    warranty: list[WorkOrder] = field(default_factory=list)

    @property
    def place(self) -> str:
        """Where it is, "" when it is nowhere yet."""
        return self.where.place if self.where else ""

    @property
    def can_come_in(self) -> bool:
        """Whether it can be taken in to the shop; one that is there without a work order can be given one."""
        if self.place in {"lost", "retired"}:  # found first, so that the books follow
            return False
        if self.place == "bench":
            return self.order is None
        return self.order is None and rules.may_go(self.place, "bench")

    @property
    def checks(self) -> tuple[reference.ConditionCheck, ...]:
        """The points of the condition check of its kind."""
        return reference.list_condition_checks(self.instrument.item.kind_id)

    @property
    def may_lend(self) -> bool:
        """Whether a loaner may go out: a family rents it and has none yet."""
        return self.holder is not None and not self.holder.is_loaner and self.holder.loaner is None

    @property
    def waits_for(self) -> str:
        """Why its open work order cannot simply be closed, "" when it can: what the order's page is for."""
        order = self.order
        if order is None:
            return ""
        if not work_rules.may_follow(order.state, WorkOrder.State.DONE):
            return f"The work is not finished: {order.get_state_display().lower()}."
        if order.kind == WorkOrder.Kind.REPAIR and order.paid_by == WorkOrder.PaidBy.UNDECIDED:
            return "Nobody has said yet who pays."
        if order.paid_by == WorkOrder.PaidBy.FAMILY and order.state != WorkOrder.State.READY:
            return "The family pays: the work is brought to Ready first."
        return ""

    @property
    def is_at_bench(self) -> bool:
        """Whether it is in the shop now."""
        return self.place == "bench"

    @property
    def verdict(self) -> tuple[str, str]:
        """The one line a technician needs first, and its tone."""
        tag = self.instrument.asset_tag
        if self.where is None:
            return f"{tag}: known, but it has never been put anywhere", "warn"
        keeper = f", {self.where.keeper}" if self.where.keeper and self.place != "family" else ""
        words = f"{tag}: {self.where.words.lower()}{keeper}"
        tones = {"shelf": "good", "bench": "warn", "van": "info", "family": "info", "school": "info", "lost": "bad"}
        return words, tones.get(self.place, "quiet")


def get_bench_sheet(tag: str, today: date, *, for_intake: bool = False) -> BenchSheet | None:
    """Return what the bench needs today about the instrument with this tag, None when there is none. At most nine queries.

    What an intake is asked with is read where it can come in, and with `for_intake` in any case.
    """
    instrument = fleet.get_by_tag(tag)
    if instrument is None:
        return None
    here: Any = instrument.here  # type: ignore[attr-defined]
    holder = get_holder(instrument, today)
    sheet = BenchSheet(
        instrument=instrument,
        where=fleet.describe(here) if here else None,
        order=fleet.get_open_work_order(instrument),
        holder=holder,
    )
    if not sheet.can_come_in and not for_intake:
        return sheet
    kind = instrument.item.kind_id
    return replace(
        sheet,
        loaners=list_loaners(instrument) if sheet.may_lend else [],
        services=list(fleet.list_services(kind)),
        parts=list(fleet.list_parts(kind)),
        warranty=list(work_queries.list_warranty_work(instrument, on=today)[:MOST_EARLIER]),
    )


def list_loaners(instrument: Instrument) -> list[Instrument]:
    """Return instruments on the shelf that could stand in for this one: the same kind and size, best first."""
    found = fleet.find_available(instrument.item.kind_id, size=instrument.item.size)
    return list(found.exclude(pk=instrument.pk)[:MOST_LOANERS])


def get_holder(instrument: Instrument, today: date) -> Holder | None:
    """Return who has the instrument on an open agreement today, None when nobody has."""
    units = AgreementUnit.objects.filter(
        ended_at=None, agreement__units__instrument=instrument, agreement__units__ended_at=None
    ).select_related("instrument", "agreement__student", "agreement__plan_version")
    on_agreement = list(units)
    unit = next((unit for unit in on_agreement if unit.instrument_id == instrument.pk), None)
    if unit is None:
        return None
    agreement = unit.agreement
    loaners = [other.instrument for other in on_agreement if other.role == AgreementUnit.Role.LOANER and other != unit]
    return Holder(
        unit=unit,
        initials=agreement.student.initials,
        is_covered=life.is_protected(agreement, today),
        covers=agreement.plan_version.protection_covers,
        deductible=agreement.plan_version.deductible.amount,
        loaner=loaners[0] if loaners else None,
    )

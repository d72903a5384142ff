"""What the bench shows about a scanned instrument. About the family no more than the technician needs: a student's initials."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from rentals.agreements import life
from rentals.agreements.models import AgreementUnit
from rentals.inventory import queries as fleet
from rentals.inventory import rules
from rentals.inventory.models import Instrument, WorkOrder

MOST_LOANERS = 12


@dataclass(frozen=True)
class Holder:
    """Who has the instrument on an open agreement, and what that covers."""

    unit: AgreementUnit
    initials: str
    is_covered: bool
    covers: str
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

    @property
    def place(self) -> str:
        """Where it is, "" when it is nowhere yet."""
        return self.where.place if self.where else ""

    @property
    def can_come_in(self) -> bool:
        """Whether it can be taken in to the shop."""
        return self.place != "bench" and rules.may_go(self.place, "bench")

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
        tones = {"shelf": "good", "bench": "warn", "family": "info", "school": "info", "lost": "bad"}
        return words, tones.get(self.place, "quiet")


def get_bench_sheet(tag: str, today: date) -> BenchSheet | None:
    """Return what the bench needs today about the instrument with this tag, None when there is none. At most five queries."""
    instrument = fleet.get_by_tag(tag)
    if instrument is None:
        return None
    here: Any = instrument.here  # type: ignore[attr-defined]
    holder = _holder(instrument, today)
    lend = holder is not None and not holder.is_loaner and holder.loaner is None
    return BenchSheet(
        instrument=instrument,
        where=fleet.describe(here) if here else None,
        order=fleet.get_open_work_order(instrument),
        holder=holder,
        loaners=list_loaners(instrument) if lend else [],
    )


def list_loaners(instrument: Instrument) -> list[Instrument]:
    """Return instruments on the shelf that could stand in for this one: the same kind and size, best first."""
    found = fleet.find_available(instrument.item.kind_id, size=instrument.item.size)
    return list(found.exclude(pk=instrument.pk)[:MOST_LOANERS])


def _holder(instrument: Instrument, today: date) -> Holder | None:
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
        loaner=loaners[0] if loaners else None,
    )

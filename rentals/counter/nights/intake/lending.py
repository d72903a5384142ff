"""An instrument lent to a family while the one it signed for is still to come: by the loan every bench knows."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from rentals.agreements import errors, operations
from rentals.agreements.models import AgreementUnit, UnitPromise
from rentals.inventory import queries as fleet
from rentals.inventory.models import Instrument
from rentals.staff.models import User
from rentals.staff.policy import require

MOST_OFFERED = 5


class NoSuchTagError(Exception):
    """No instrument has this tag."""

    def __init__(self, tag: str) -> None:
        super().__init__(f"No instrument has the tag {tag}. Choose one of the list." if tag else "Choose an instrument to lend.")


class IsTheModelError(Exception):
    """What is of the model that was signed for is assigned, not lent."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} is of the model the family signed for: assign it instead of lending it.")


class OtherKindError(Exception):
    """A loaner stands in for the instrument that was signed for: same kind, same size."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(f"{instrument.asset_tag} is of another kind or size than the family signed for: choose one of the list.")


EXPECTED = (
    NoSuchTagError,
    IsTheModelError,
    OtherKindError,
    errors.LoanerOutError,
    errors.InstrumentNotAvailableError,
)


@dataclass(frozen=True)
class Waiting:
    """A family that waits; `lent` is what it has meanwhile."""

    promise: UnitPromise
    lent: Instrument | None


def with_loaners(promises: Sequence[UnitPromise]) -> list[Waiting]:
    """Put beside each family what it has lent meanwhile; one query."""
    waiting = [row.agreement_id for row in promises]
    loaners = AgreementUnit.objects.filter(role=AgreementUnit.Role.LOANER, ended_at=None, agreement__in=waiting)
    lent = {unit.agreement_id: unit.instrument for unit in loaners.select_related("instrument")}
    return [Waiting(row, lent.get(row.agreement_id)) for row in promises]


def list_offers(promise: UnitPromise) -> list[Instrument]:
    """List what could be lent to a waiting family: on a shelf, same kind and size, of another model; the best first."""
    free = fleet.find_available(promise.item.kind_id, size=promise.item.size)
    return list(free.exclude(item=promise.item_id)[:MOST_OFFERED])


def lend_meanwhile(*, promise: UnitPromise, tag: str, acting_user: User, now: datetime.datetime) -> AgreementUnit:
    """Lend an instrument from the shelf to a family that waits. Raises one of EXPECTED, AgreementEndedError, RowsBusyError."""
    require(acting_user, "nights.sign_up")
    unit = fleet.get_by_tag(tag) if tag else None
    if unit is None:
        raise NoSuchTagError(tag)
    if unit.item_id == promise.item_id:
        raise IsTheModelError(unit)
    if (unit.item.kind_id, unit.item.size) != (promise.item.kind_id, promise.item.size):
        raise OtherKindError(unit)
    return operations.assign_loaner(agreement=promise.agreement, instrument=unit, acting_user=acting_user, now=now)

"""Families that signed and wait for an instrument: which one a run could bring each, and one step that puts it on the run."""

import datetime
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction

from rentals.agreements import errors
from rentals.agreements.models import UnitPromise
from rentals.agreements.operations import assign_unit
from rentals.agreements.promises import PromiseSettledError, list_open_promises
from rentals.inventory import queries as fleet
from rentals.inventory.models import Custody, Instrument, Location
from rentals.runtime.locks import RowsBusyError
from rentals.staff.models import User
from rentals.staff.operations import RequestKeyReusedError, claim_request, keep_answer
from schools import errands, runs
from schools.models import Errand, HomeErrand, Load, NightUnit, Run

MOST = 40
"""So many families, who waits longest first, stand on the page of a run."""


class OtherShopError(Exception):
    """The instrument lies in another shop than the one the van leaves from."""

    def __init__(self, instrument: Instrument, run: Run, at: Location | None) -> None:
        super().__init__(f"This run leaves from {run.location}, and {instrument.asset_tag} is at {at}: take one that is here.")


class NotToASchoolError(Exception):
    """No school of ours is named on the agreement."""

    def __init__(self, number: str) -> None:
        super().__init__(f"{number} names no school that we serve: have it brought to the family's home.")


REFUSALS = (
    PromiseSettledError,
    errors.OtherModelError,
    errors.InstrumentNotAvailableError,
    OtherShopError,
    NotToASchoolError,
    errands.ErrandOpenError,
    errands.HomeErrandOpenError,
    runs.RunOverError,
    runs.OnRunError,
    RequestKeyReusedError,
    RowsBusyError,
)


@dataclass(frozen=True)
class Waits:
    """A family that waits: what could be brought from the run's shop (None: nothing of the model is there), to which school."""

    promise: UnitPromise
    offered: Instrument | None
    school: str


def list_promised(run: Run) -> list[Waits]:
    """List who waits for an instrument, who waits longest first, each with another one of the run's shop. Two queries.

    The one named at signing is offered where it is free; then the best grade, then the one that has waited longest.
    """
    waiting = list(list_open_promises()[:MOST])
    if not waiting:
        return []
    free: Any = fleet.list_available()
    free = free.filter(item__in={each.item_id for each in waiting}, here__location=run.location_id)
    for asked in (Errand, HomeErrand, NightUnit):
        taken: Any = asked._default_manager.filter(ended_at=None)
        free = free.exclude(pk__in=taken.values("instrument"))
    by_item: dict[int, list[Instrument]] = {}
    for unit in free.exclude(pk__in=Load.objects.filter(closed_at=None).values("instrument")):
        by_item.setdefault(unit.item_id, []).append(unit)
    named = {each.promised_id for each in waiting if each.promised_id}
    found = []
    for each in waiting:
        units = by_item.get(each.item_id, [])
        own = next((unit for unit in units if unit.pk == each.promised_id), None)
        offered = own or next((unit for unit in units if unit.pk not in named), None)
        if offered is not None:
            units.remove(offered)
        programme = each.agreement.programme
        found.append(Waits(each, offered, str(programme.school) if programme and programme.school.is_active else ""))
    return found


@transaction.atomic
def bring_promised(
    *,
    run: Run,
    promise: UnitPromise,
    instrument: Instrument,
    to_school: bool,
    request_key: UUID,
    acting_user: User,
    now: datetime.datetime,
) -> Load:
    """Assign an instrument of the run's shop to a family that waits, and put it on the run: to its school, or to its door.

    On the agreement from now on, it stays in the shop until the van brings it; struck off the run, it waits for another.
    Raises what `REFUSALS` names.
    """
    asked = {"run": run.pk, "promise": promise.pk, "instrument": instrument.pk, "school": to_school}
    done = claim_request(key=request_key, purpose="run bring promised", request=asked, acting_user=acting_user)
    if done is not None:
        return Load.objects.select_related("stop").get(pk=done["load"])
    current = runs.lock_run(run)
    agreement = promise.agreement
    where = fleet.get_whereabouts(instrument)
    if where is not None and where.place == Custody.Place.SHELF and where.custody.location_id != current.location_id:
        raise OtherShopError(instrument, current, where.custody.location)
    on_run = runs.get_open_load(instrument.pk)
    if on_run is not None:
        raise runs.OnRunError(on_run)
    who: dict[str, Any] = {"acting_user": acting_user, "now": now}
    assign_unit(agreement=agreement, instrument=instrument, night=None, waits_at=current.location, **who)
    facts: dict[str, Any] = {"kind": Errand.Kind.DROP_OFF, "instrument": instrument, "what": "", "wanted_from": current.on}
    if to_school:
        if agreement.programme is None or not agreement.programme.school.is_active:
            raise NotToASchoolError(agreement.number)
        errand = errands.ask_for(school=agreement.programme.school, **facts, **who)
        load = runs.add_errand(run=current, errand=errand)
    else:
        home = errands.ask_for_home(household_id=agreement.household_id, **facts, **who)
        load = runs.add_home_errand(run=current, errand=home, initials=agreement.student.initials)
    keep_answer(key=request_key, answer={"load": load.pk})
    return load

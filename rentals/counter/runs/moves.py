"""Steps of a run's scans: where an instrument goes, and what its load says then. The run is locked by `operations`."""

import datetime
from dataclasses import dataclass
from typing import Any

from rentals.agreements.models import AgreementUnit
from rentals.counter.bench import operations as bench
from rentals.counter.bench.verdicts import Verdict
from rentals.inventory import operations as fleet
from rentals.inventory import queries
from rentals.inventory.models import Custody, Instrument, WorkOrder
from rentals.staff.models import User
from schools import errands
from schools.models import Errand, Load, Run

Place = Custody.Place
Outcome = Load.Outcome


@dataclass(frozen=True)
class At:
    """Who scans on which run, and when."""

    run: Run
    acting_user: User
    now: datetime.datetime

    @property
    def who(self) -> dict[str, Any]:
        """Who acts and when, as every operation of the fleet asks for it."""
        return {"acting_user": self.acting_user, "now": self.now}


def open_unit(instrument: Instrument) -> AgreementUnit | None:
    """Return the row that puts an instrument on an open agreement, with household and student."""
    units = AgreementUnit.objects.filter(instrument=instrument, ended_at=None)
    return units.select_related("agreement__household", "agreement__student").first()


def why_not_ready(load: Load) -> str:
    """Say why something cannot go into the van at the shop, "" when it can."""
    unit, where = load.instrument, queries.get_whereabouts(load.instrument)
    rented = open_unit(unit)
    place = where.place if where else ""
    home = load.stop.household_id
    if home and (rented is None or rented.agreement.household_id != home):
        return "It is on no agreement of this family: sign it up or exchange it first."
    if place == Place.FAMILY and rented is not None and rented.agreement.household_id == home:
        return ""  # signed at the counter, so the family answers for it by the books; it leaves the shop now
    if place not in {Place.SHELF, Place.BENCH}:
        return f"By the books it is not in the shop: {where.words.lower() if where else 'nowhere yet'}."
    hold = queries.get_hold(unit)
    if hold is not None and rented is None:
        return f"It is put aside: {hold.reason}."
    order = queries.get_open_work_order(unit)
    if order is not None and order.state != WorkOrder.State.READY:
        return f"Its work is not done: {order.get_state_display().lower()}."
    return ""


def into_the_van(at: At, load: Load) -> Verdict:
    """Load something at the shop, unless it is not ready; its finished work order is closed, so that it may leave."""
    tag = load.instrument.asset_tag
    if load.is_fetch:
        return Verdict(
            "warn", f"Fetched on the way: {tag}", f"It comes into the van at stop {load.stop.order}, {load.stop.name}.", tag
        )
    if load.outcome == Outcome.LEFT_OUT:
        return Verdict("warn", f"It stayed here: {tag}", "The van left without it. Put it on another run.", tag)
    if load.loaded_at:
        return Verdict("info", f"Already loaded: {tag}", "Nothing was done again.", tag)
    why = why_not_ready(load)
    if why:
        return Verdict("bad", f"Not ready: {tag}", f"{why} It stays here.", tag)
    order = queries.get_open_work_order(load.instrument)
    if order is not None:
        fleet.close_work_order(order=order, work_done="Ready, sent out by the van", **at.who)
    _take_along(at, load, f"Run of {at.run.on:%B} {at.run.on.day}, to {load.stop.name}")
    return Verdict("good", f"Loaded: {tag}", f"Stop {load.stop.order}, {load.stop.name}.", tag)


def _take_along(at: At, load: Load, reason: str) -> None:
    where = queries.get_whereabouts(load.instrument)
    load.was_at = where.place if where else ""
    fleet.move_instrument(instrument=load.instrument, place=Place.VAN, location=at.run.location, reason=reason, **at.who)
    load.loaded_at, load.loaded_by = at.now, at.acting_user
    load.save(update_fields=["loaded_at", "loaded_by", "was_at"])


def at_the_stop(at: At, load: Load) -> Verdict:
    """Scan something off at its stop, to be handed over with a signature; or into the van, when it is fetched there."""
    tag, stop = load.instrument.asset_tag, load.stop
    if at.run.state != Run.State.UNDER_WAY:
        return Verdict("warn", "The van has not left", "Say “The van leaves” once all is loaded, then scan at the stops.", tag)
    if load.outcome:
        return Verdict("info", f"Already: {tag}", f"{load.get_outcome_display()}. Nothing was done again.", tag)
    if not load.is_fetch and load.loaded_at is None:
        return Verdict("bad", f"Not loaded: {tag}", "By the books it is not in the van. Look at the label again.", tag)
    if stop.arrived_at is None:
        stop.arrived_at = at.now
        stop.save(update_fields=["arrived_at"])
    if load.is_fetch:
        where = queries.get_whereabouts(load.instrument)
        if where is None or where.place not in {Place.FAMILY, Place.SCHOOL}:
            return Verdict(
                "bad", f"Not here by the books: {tag}", f"{where.words if where else 'Nowhere yet'}. Call the shop.", tag
            )
        _take_along(at, load, f"Fetched at {stop.name}: {load.what or load.get_task_display().lower()}")
        close(at, load, Outcome.FETCHED)
        return Verdict("good", f"Fetched: {tag}", "It is in the van now.", tag)
    if load.scanned_off_at:
        return Verdict("info", f"Already scanned off: {tag}", "Now let the person who takes it sign.", tag)
    load.scanned_off_at = at.now
    load.save(update_fields=["scanned_off_at"])
    return Verdict("good", f"Hand it over: {tag}", "Scan the next, or let the person who takes it sign.", tag)


def hand_over(at: At, load: Load, outcome: str) -> None:
    """Move something out of the van to the family that has it on an agreement, or to the school; then close its load."""
    unit = open_unit(load.instrument)
    place = "left in a safe place" if outcome == Outcome.SAFE_PLACE else "handed over"
    if unit is not None and unit.role == AgreementUnit.Role.RENTED:
        bench.hand_back(
            instrument=load.instrument, work_done="", loaner_is_back=False, location=at.run.location, **at.who
        )  # fmt: skip
    elif unit is not None:
        fleet.move_instrument(
            instrument=load.instrument,
            place=Place.FAMILY,
            household=unit.agreement.household,
            reason=f"By the van, {place}",
            **at.who,
        )
    else:
        fleet.move_by_hand(
            instrument=load.instrument, place=Place.SCHOOL, school=load.stop.school, reason=f"By the van, {place}", **at.who
        )
    close(at, load, outcome)


def out_of_the_van(at: At, load: Load) -> Verdict:
    """Take something out of the van at the shop: fetched for repair with a work order, what was not handed over where it was."""
    tag = load.instrument.asset_tag
    if not load.is_in_van:
        said = load.get_outcome_display() or "It was never in the van"
        return Verdict("info", f"Not in the van: {tag}", f"{said}. Nothing was done.", tag)
    if load.outcome == "":
        load.words = "Came back with the van"
        close(at, load, Outcome.NOT_DELIVERED)
    more = _back_in_the_shop(at, load)
    load.closed_at = at.now
    load.save(update_fields=["closed_at"])
    return Verdict("good", f"Out of the van: {tag}", more, tag)


def _back_in_the_shop(at: At, load: Load) -> str:
    """Put it where it belongs in the shop, and say where that is."""
    here: Any = {"instrument": load.instrument, "location": at.run.location}
    if load.task == Load.Task.FETCH_REPAIR:
        problem = load.what or f"Fetched at {load.stop.name}: ask what is wrong"
        taken = bench.take_in(problem=problem, loaner_tag="", **here, **at.who)
        return f"In the shop, work order {taken.order.number}."
    if load.task == Load.Task.FETCH_RETURN:
        fleet.move_instrument(place=Place.BENCH, reason="Given back, fetched by the van", **here, **at.who)
        return "In the shop. The agreement still runs: finish its return on the agreement’s page."
    to_bench = load.was_at != Place.SHELF
    reason = f"Not handed over: {load.words}"
    fleet.move_instrument(place=Place.BENCH if to_bench else Place.SHELF, reason=reason, **here, **at.who)
    return "In the shop again; it waits for another day." if to_bench else "On the shelf again; it waits for another day."


def close(at: At, load: Load, outcome: str) -> None:
    """Write down how a load ended; what is still in the van stays open until it is out. Its errand ends, or waits on."""
    load.outcome, load.handed_at, load.handed_by = outcome, at.now, at.acting_user
    still_aboard = outcome in {Outcome.NOT_DELIVERED, Outcome.FETCHED}
    load.closed_at = None if still_aboard else at.now
    load.save(update_fields=["outcome", "handed_at", "handed_by", "closed_at", "receiver", "strokes", "words"])
    if outcome in {Outcome.DELIVERED, Outcome.SAFE_PLACE, Outcome.FETCHED}:
        end_errand(at, load)
        return
    for errand in (load.errand, load.home_errand):
        if errand is not None and errand.ended_at is None:
            errands.put_off(errand=errand, wanted_from=at.run.on + datetime.timedelta(days=1))


def end_errand(at: At, load: Load) -> None:
    """End as done what asked for a load, unless it was ended by hand meanwhile."""
    if load.errand is not None and load.errand.ended_at is None:
        errands.end(errand=load.errand, outcome=Errand.Outcome.DONE, **at.who)
    if load.home_errand is not None and load.home_errand.ended_at is None:
        errands.end(errand=load.home_errand, outcome=Errand.Outcome.DONE, **at.who)

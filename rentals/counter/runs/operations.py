"""What a run moves: into the van at the shop, off or into it at a stop, out of it at the shop. One transaction each."""

import datetime
from dataclasses import dataclass
from uuid import UUID

from django.db import transaction
from django.db.models import Max

from rentals.counter.bench.refusals import REFUSALS
from rentals.counter.bench.verdicts import Verdict
from rentals.counter.runs import moves
from rentals.counter.runs.moves import At
from rentals.inventory.queries.scans import find_scanned
from rentals.runtime.locks import lock_one, lock_rows
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools import errands, runs
from schools.models import Load, Run, Stop

RUN_REFUSALS = (*REFUSALS, runs.RunOverError, errands.ErrandEndedError)
IN_VAN, AT_STOP, HOME = "load", "stop", "home"


class StillInTheVanError(Exception):
    """A run is not over while something is in the van or was not dealt with."""

    def __init__(self, aboard: list[str], open_ones: list[str]) -> None:
        self.aboard, self.open_ones = aboard, open_ones
        words = [f"Still in the van: {', '.join(aboard)}. Scan each one out at the shop."] if aboard else []
        words += [f"Not dealt with: {', '.join(open_ones)}. Say at its stop that it was not there."] if open_ones else []
        super().__init__(" ".join(words))


class NothingScannedOffError(Exception):
    """There is nothing to hand over at this stop."""

    def __init__(self) -> None:
        super().__init__("Scan what is handed over first: nothing of this stop is scanned off.")


class NotAtThisPointError(Exception):
    """What was said does not fit where the instrument is on this run."""


@dataclass(frozen=True)
class Handover:
    """Who took what was scanned off at a stop: a name as signed with or without a drawing, or the safe place it was left in."""

    receiver: str = ""
    strokes: str = ""
    safe_place: str = ""


@transaction.atomic
def scan(*, run: Run, step: str, stop: Stop | None, code: str, key: UUID, acting_user: User, now: datetime.datetime) -> Verdict:
    """Take one scan of a run: into the van (`load`), at a stop (`stop`), or out of it at the shop (`home`).

    The same key again gives the same answer and does nothing new. What cannot be done is told in the verdict, with why.
    Raises RequestKeyReusedError.
    """
    asked = {"run": run.pk, "step": step, "stop": stop.pk if stop else None, "code": code}
    earlier = claim_request(key=key, purpose="run scan", request=asked, acting_user=acting_user)
    if earlier is not None:
        return Verdict.of(earlier)
    try:
        with transaction.atomic():
            verdict = _answer(At(runs.lock_run(run), acting_user, now), step, stop, code)
    except RUN_REFUSALS as error:
        verdict = Verdict("bad", str(error))
    keep_answer(key=key, answer=verdict.as_dict())
    return verdict


def _answer(at: At, step: str, stop: Stop | None, code: str) -> Verdict:
    found = find_scanned(code)
    if found.instrument is None:
        return Verdict(
            "bad", f"Not ours: {' '.join(code.split())[:30]}", "No instrument has this tag. Scan the label once more, or type it."
        )
    tag = found.instrument.asset_tag
    load = Load.objects.filter(run=at.run, instrument=found.instrument).select_related("stop", "run").order_by("-pk").first()
    if load is None:
        return Verdict("bad", f"Not on this run: {tag}", "Leave it where it is, or have it put on the run first.", tag)
    load.instrument = found.instrument
    if step == IN_VAN:
        return moves.into_the_van(at, load)
    if step == HOME:
        return moves.out_of_the_van(at, load)
    if stop is None or load.stop_id != stop.pk:
        return Verdict("warn", f"Another stop: {tag}", f"It belongs to stop {load.stop.order}, {load.stop.name}.", tag)
    return moves.at_the_stop(at, load)


def moment_of(*, run: Run, age: datetime.timedelta, now: datetime.datetime) -> datetime.datetime:
    """Return when something was done that comes `age` later: never before the last thing the office knows of this run.

    A device that sends in order is believed how long ago it was, not what its clock says.
    """
    names = ("loaded_at", "scanned_off_at", "handed_at", "closed_at")
    known = run.loads.aggregate(**{name: Max(name) for name in names}, arrived_at=Max("stop__arrived_at"))
    moments: list[datetime.datetime | None] = [*known.values(), run.left_at]
    last = max([run.made_at, *(moment for moment in moments if moment is not None)])
    return max(now - age, min(last, now))


@transaction.atomic
def leave(*, run: Run, acting_user: User, now: datetime.datetime) -> Run:
    """Leave the shop: what was not loaded does not go along, and waits for another day. Raises RunOverError."""
    current = runs.lock_run(run)
    if current.state == Run.State.UNDER_WAY:
        return current
    current.state, current.left_at = Run.State.UNDER_WAY, now
    current.save(update_fields=["state", "left_at"])
    at = At(current, acting_user, now)
    for load in current.loads.filter(closed_at=None, loaded_at=None, task__in=Load.BRINGING).select_related("instrument"):
        moves.close(at, load, Load.Outcome.LEFT_OUT)
    return current


@transaction.atomic
def hand_over(*, stop: Stop, to: Handover, key: UUID, acting_user: User, now: datetime.datetime) -> list[Load]:
    """Hand over what was scanned off at a stop, to the adult who signs, or leave it in the safe place that is named.

    Sent again with the same key, nothing happens anew. Raises NothingScannedOffError, RunOverError, RequestKeyReusedError,
    and what giving back at the bench raises.
    """
    asked = {"stop": stop.pk, "receiver": to.receiver, "strokes": to.strokes, "safe": to.safe_place}
    done = claim_request(key=key, purpose="run hand over", request=asked, acting_user=acting_user)
    if done is not None:
        return list(Load.objects.select_related("instrument").filter(pk__in=done["loads"]).order_by("instrument"))
    at = At(runs.lock_run(stop.run), acting_user, now)
    ready = stop.loads.filter(scanned_off_at__isnull=False, outcome="", loaded_at__isnull=False).order_by("instrument")
    loads = list(ready.select_related("instrument", "stop", "stop__school", "run"))
    if not loads:
        raise NothingScannedOffError
    for load in loads:
        load.receiver, load.strokes, load.words = to.receiver, to.strokes, to.safe_place
        moves.hand_over(at, load, Load.Outcome.SAFE_PLACE if to.safe_place else Load.Outcome.DELIVERED)
    keep_answer(key=key, answer={"loads": [load.pk for load in loads]})
    return loads


@transaction.atomic
def not_done(*, load: Load, why: str, acting_user: User, now: datetime.datetime) -> Load:
    """Say that something was not handed over (it stays in the van until the shop) or was not there to be fetched.

    Either waits for another day. Said again, nothing changes. Raises RunOverError, NotAtThisPointError.
    """
    at = At(runs.lock_run(load.run), acting_user, now)
    current: Load = lock_one(Load.objects.select_related("instrument", "stop", "errand", "home_errand").filter(pk=load.pk))
    outcome = Load.Outcome.NOT_THERE if current.is_fetch else Load.Outcome.NOT_DELIVERED
    if current.outcome == outcome:
        return current
    if current.outcome or (not current.is_fetch and current.loaded_at is None):
        message = f"{current.instrument.asset_tag}: {(current.get_outcome_display() or 'not loaded').lower()} already."
        raise NotAtThisPointError(message)
    current.words = why
    moves.close(at, current, outcome)
    return current


@transaction.atomic
def finish_run(*, run: Run, acting_user: User, now: datetime.datetime) -> Run:
    """End a run once everything on it is accounted for. Raises RunOverError, StillInTheVanError (with what is where)."""
    current = runs.lock_run(run)
    rows: list[Load] = lock_rows(Load.objects.select_related("instrument").filter(run=current, closed_at=None))[0]
    if rows:
        aboard = [load.instrument.asset_tag for load in rows if load.is_in_van]
        raise StillInTheVanError(aboard, [load.instrument.asset_tag for load in rows if not load.is_in_van])
    current.left_at = current.left_at or now
    current.state, current.ended_at, current.ended_by = Run.State.DONE, now, acting_user
    current.save(update_fields=["state", "left_at", "ended_at", "ended_by"])
    return current

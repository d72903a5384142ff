"""Work by scan alone: what a printed card does to an instrument, and how the last of it is taken back.

The same operations as the buttons; what they refuse becomes the verdict. `run` and `undo` are each one transaction.
"""

import datetime
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypedDict

from django.db import transaction
from django.utils import timezone

from rentals.agreements.models import AgreementUnit
from rentals.counter.bench import operations as bench
from rentals.counter.bench.refusals import REFUSALS
from rentals.counter.bench.verdicts import Verdict
from rentals.inventory import commands, queries
from rentals.inventory import operations as fleet
from rentals.inventory.commands import Command
from rentals.inventory.models import Custody, Instrument, Location, WorkLine, WorkOrder
from rentals.inventory.operations import cleanings
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

BY_CARD = "Done, scanned out by card"
TESTED = ("Tested as a whole, by card", True)
MISTAKE = "Taken in by mistake"
State = WorkOrder.State


class Who(TypedDict):
    """Who acts, and when."""

    acting_user: User
    now: datetime.datetime


@dataclass(frozen=True)
class At:
    """Who scans, in which shop, and when. `order` is the open one on the instrument, if any."""

    unit: Instrument
    place: str
    order: WorkOrder | None
    location: Location
    acting_user: User
    now: datetime.datetime

    @property
    def tag(self) -> str:
        """The instrument's tag."""
        return self.unit.asset_tag

    @property
    def who(self) -> Who:
        """What every operation is told."""
        return {"acting_user": self.acting_user, "now": self.now}

    def good(self, words: str, more: str = "", undo: tuple[str, ...] = ()) -> Verdict:
        """Say that it was done."""
        return Verdict("good", f"{words}: {self.tag}", more, self.tag, self.tag, undo)

    def nothing(self, words: str, more: str = "Nothing was done again.") -> Verdict:
        """Say that nothing had to be done."""
        return Verdict("info", f"{words}: {self.tag}", more, self.tag, self.tag)

    def no(self, words: str, more: str) -> Verdict:
        """Say that it could not be done, and what to do."""
        return Verdict("bad", f"{words}: {self.tag}", more, self.tag, self.tag)


@transaction.atomic
def run(
    *, command: Command, instrument: Instrument, location: Location, key: uuid.UUID, acting_user: User, now: datetime.datetime
) -> Verdict:
    """Do what a card says to an instrument; answer in a verdict. The same key again gives the same answer and does nothing new.

    Raises RequestKeyReusedError.
    """
    request = {"card": command.code, "instrument": instrument.pk, "location": location.pk}
    earlier = claim_request(key=key, purpose="bench card", request=request, acting_user=acting_user)
    if earlier is not None:
        return Verdict.of(earlier)
    try:
        with transaction.atomic():
            where = queries.get_whereabouts(instrument)
            order = queries.get_open_work_order(instrument)
            at = At(instrument, where.place if where else "", order, location, acting_user, now)
            verdict = ACTS[command.code](at) if command.code in ACTS else _minutes(at, command.minutes)
    except REFUSALS as error:
        verdict = Verdict("bad", f"Not done: {instrument.asset_tag}", str(error), instrument.asset_tag, instrument.asset_tag)
    keep_answer(key=key, answer=verdict.as_dict())
    return verdict


def _take_in(at: At) -> Verdict:
    if at.order is not None:
        return at.nothing("In the shop already", f"Its work order: {at.order.problem or at.order.get_kind_display()}")
    came_from = at.place
    bench.take_in(instrument=at.unit, problem="Taken in by card: look at it", location=at.location, loaner_tag="", **at.who)
    order = queries.get_open_work_order(at.unit)
    return at.good(
        "In the shop",
        "To look at. Write what is wrong on its sheet when there is time.",
        ("in", str(order and order.pk), came_from),
    )


def _to_state(wanted: str, words: str) -> Callable[[At], Verdict]:
    def act(at: At) -> Verdict:
        if at.order is None:
            return _no_order(at)
        if at.order.state == wanted:
            return at.nothing(f"{words} already")
        was = str(at.order.state)
        fleet.change_state(order=at.order, to=wanted, note="By card", **at.who)
        return at.good(words, at.order.problem or at.order.get_kind_display(), ("state", str(at.order.pk), was, wanted))

    return act


def _no_order(at: At) -> Verdict:
    return at.no("No open work order", "Scan “Take in” first.")


def _pass(at: At) -> Verdict:
    if at.order is None:
        return _no_order(at)
    if at.order.state == State.READY:
        return at.nothing("Ready already")
    was = str(at.order.state)
    if was != State.CHECK:
        fleet.change_state(order=at.order, to=State.CHECK, note="By card", **at.who)
    fleet.record_quality_check(order=at.order, points=[TESTED], note="", **at.who)
    return at.good(
        "Tested and ready", "Next: out to the shelf, or back to the family.", ("state", str(at.order.pk), was, State.READY)
    )


def _to_shelf(at: At) -> Verdict:
    lent = AgreementUnit.objects.filter(instrument=at.unit, ended_at=None, role=AgreementUnit.Role.LOANER).exists()
    if lent and at.place == Custody.Place.FAMILY:
        bench.take_loaner_back(instrument=at.unit, location=at.location, **at.who)
        return at.good("Loaner back on the shelf", str(at.location))
    if at.place == Custody.Place.SHELF:
        return at.nothing("On the shelf already")
    bench.put_on_shelf(instrument=at.unit, work_done=_work_done(at), location=at.location, **at.who)
    return at.good("On the shelf", str(at.location))


def _to_family(at: At) -> Verdict:
    if at.place == Custody.Place.FAMILY:
        return at.nothing("With the family already")
    unit = AgreementUnit.objects.filter(instrument=at.unit, ended_at=None).select_related("agreement__student").first()
    bench.hand_back(instrument=at.unit, work_done=_work_done(at), loaner_is_back=False, location=at.location, **at.who)
    loaner = (
        unit and AgreementUnit.objects.filter(agreement=unit.agreement, ended_at=None, role=AgreementUnit.Role.LOANER).first()
    )
    more = f"Student {unit.agreement.student.initials}." if unit else ""
    if loaner:
        more = f"{more} Its loaner {loaner.instrument} is still out: scan it and “Out to the shelf” when it is here."
    return at.good("Back to the family", more)


def _work_done(at: At) -> str:
    return BY_CARD if at.order is not None else ""


def _cleaned(at: At) -> Verdict:
    today, before = timezone.localdate(at.now), at.unit.last_cleaned_on
    if before == today:
        return at.nothing("Cleaned today already")
    fleet.record_cleaning(instrument=at.unit, cleaned_on=today, acting_user=at.acting_user, now=at.now)
    was = before.isoformat() if before else ""
    return at.good("Cleaned", "The next one is due in a year.", ("cleaned", str(at.unit.pk), today.isoformat(), was))


def _minutes(at: At, minutes: int) -> Verdict:
    if at.order is None:
        return _no_order(at)
    line = fleet.add_labour(order=at.order, what="Work at the bench", minutes=minutes, **at.who)
    together = sum(each.minutes or 0 for each in WorkLine.objects.filter(order=at.order, kind=WorkLine.Kind.LABOUR))
    return at.good(f"+ {minutes} minutes", f"{together} minutes on it so far.", ("minutes", str(line.pk)))


ACTS: dict[str, Callable[[At], Verdict]] = {
    commands.TAKE_IN.code: _take_in,
    commands.ON_BENCH.code: _to_state(State.BENCH, "On the bench"),
    commands.PARTS.code: _to_state(State.PARTS, "Waiting for parts"),
    commands.QUALITY.code: _to_state(State.CHECK, "To the quality check"),
    commands.PASSED.code: _pass,
    commands.READY.code: _pass,
    commands.SHELF.code: _to_shelf,
    commands.FAMILY.code: _to_family,
    commands.CLEANED.code: _cleaned,
}


@transaction.atomic
def undo(*, done: Verdict, location: Location, acting_user: User, now: datetime.datetime) -> Verdict:
    """Take back what a verdict says was done, where that can be; the chain of custody keeps both moves."""
    unit = queries.get_by_tag(done.tag)
    if unit is None or not done.undo:
        return Verdict("warn", "Nothing to undo", "What went out of the shop is taken in again instead.")
    at = At(unit, "", queries.get_open_work_order(unit), location, acting_user, now)
    try:
        with transaction.atomic():
            return UNDOINGS[done.undo[0]](at, *done.undo[1:])
    except REFUSALS as error:
        return at.no("Not undone", str(error))


def _undo_state(at: At, order_id: str, was: str, became: str) -> Verdict:
    order = at.order
    if order is None or str(order.pk) != order_id or order.state != became:
        return at.no("Not undone", "It has gone on since: set its state on the work order.")
    if became == State.READY:
        fleet.change_state(order=order, to=State.BENCH, note="Undone: passed by mistake", **at.who)
    current = queries.get_open_work_order(at.unit) or order
    if current.state != was:
        fleet.change_state(order=current, to=was, note="Undone", **at.who)
    return at.good("Undone", f"It is {State(was).label.lower()} again.")


def _undo_take_in(at: At, order_id: str, came_from: str) -> Verdict:
    order = at.order
    if order is None or str(order.pk) != order_id or order.state != State.LOOK or order.lines.exists():
        return at.no("Not undone", "Work on it has begun: send it out instead.")
    if order.paid_by == WorkOrder.PaidBy.UNDECIDED:
        fleet.decide_payer(order=order, paid_by=WorkOrder.PaidBy.SHOP, **at.who)
    order.refresh_from_db()
    fleet.change_state(order=order, to=State.READY, note=MISTAKE, **at.who)
    order.refresh_from_db()
    fleet.close_work_order(order=order, work_done=MISTAKE, **at.who)
    if came_from == Custody.Place.FAMILY:
        bench.hand_back(instrument=at.unit, work_done="", loaner_is_back=False, location=at.location, **at.who)
        return at.good("Undone", "With the family again.")
    before = queries.list_custodies(at.unit).filter(place=came_from, ended_at__isnull=False).first()
    if before is None or came_from == Custody.Place.BENCH:
        return at.good("Undone", "It is in the shop, without a work order.")
    keeper: dict[str, Any] = {"location": before.location} if before.location else {"school": before.school}
    fleet.move_by_hand(instrument=at.unit, place=came_from, reason=MISTAKE, **keeper, **at.who)
    return at.good("Undone", "It is where it was before.")


def _undo_minutes(at: At, line_id: str) -> Verdict:
    line = WorkLine.objects.filter(pk=int(line_id)).select_related("order").first()
    if line is None:
        return at.nothing("Undone already")
    fleet.take_line_off(line=line, **at.who)
    return at.good("Undone", f"{line.minutes} minutes taken off again.")


def _undo_cleaned(at: At, unit_id: str, cleaned_on: str, back_to: str) -> Verdict:
    cleanings.undo_cleaning(
        instrument=at.unit,
        cleaned_on=datetime.date.fromisoformat(cleaned_on),
        back_to=datetime.date.fromisoformat(back_to) if back_to else None,
        acting_user=at.acting_user,
        now=at.now,
    )
    return at.good("Undone", "Its cleaning is due as before.")


UNDOINGS: dict[str, Callable[..., Verdict]] = {
    "state": _undo_state,
    "in": _undo_take_in,
    "minutes": _undo_minutes,
    "cleaned": _undo_cleaned,
}

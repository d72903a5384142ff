"""What one scan on a cleaning day means and does. Steps of `operations.scan` and `operations.undo`: the day is locked there."""

import datetime
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from rentals.counter.bench.verdicts import Verdict
from rentals.counter.cleaning_days.workload import with_school
from rentals.inventory import commands, queries
from rentals.inventory import operations as fleet
from rentals.inventory.models import Custody, Instrument, WorkOrder
from rentals.inventory.operations import cleanings
from rentals.inventory.queries.cleanings import with_cleaning_due
from rentals.runtime.templatetags.office import day as day_words
from rentals.staff.models import User
from schools.models import CleaningDay, CleaningVisit

STEPS = {"in": "Coming in", "cleaned": "Cleaned", "back": "Going back"}
CARDS = {commands.TAKE_IN.code: "in", commands.CLEANED.code: "cleaned", commands.FAMILY.code: "back"}
"""The printed cards that switch the step."""


@dataclass(frozen=True)
class At:
    """Who scans on which day, and when."""

    day: CleaningDay
    acting_user: User
    now: datetime.datetime


def answer(*, day: CleaningDay, code: str, step: str, hand: str, acting_user: User, now: datetime.datetime) -> Verdict:
    """Do what a scan of this code means in this step, and say so. A card takes in the doubtful one in hand all the same."""
    at = At(day, acting_user, now)
    all_the_same = commands.read_command(code) == commands.TAKE_IN and bool(hand)
    tag = hand if all_the_same else code
    unit = _find(tag)
    if unit is None:
        return Verdict(
            "bad",
            f"Not ours: {' '.join(tag.split())[:30]}",
            "No instrument has this tag. Scan the label once more; if it is somebody else's, give it back.",
        )
    visit = CleaningVisit.objects.filter(day=day, instrument=unit.pk).first()
    if step == "cleaned":
        return _clean(at, unit, visit)
    if step == "back":
        return _give_back(at, unit, visit)
    return _come(at, unit, visit, all_the_same=all_the_same)


def _find(tag: str) -> Any:
    found = queries.get_by_tag(tag)
    return None if found is None else with_school(with_cleaning_due(queries.list_instruments())).get(pk=found.pk)


def _come(at: At, unit: Any, visit: CleaningVisit | None, *, all_the_same: bool) -> Verdict:
    if visit and visit.came_at:
        where = "went back" if visit.back_at else "is here"
        return Verdict(
            "info", f"Already: {unit.asset_tag} {where}", "It was scanned in before; nothing was done again.", unit.asset_tag
        )
    doubt = None if visit else _doubt(at.day, unit)
    if doubt and not (all_the_same and doubt.hand):
        return doubt
    _open_order(at, unit)
    if visit is None:
        visit = CleaningVisit(day=at.day, instrument_id=unit.pk, is_expected=False)
    visit.came_at, visit.came_by = at.now, at.acting_user
    visit.save()
    words = "Taken in" if doubt else "Expected"
    more = "It was not on the list; it is now." if doubt else "In to the shop, with its cleaning order."
    return Verdict("good", f"{words}: {unit.asset_tag}", more, unit.asset_tag, undo=(str(visit.pk), "in"))


def _doubt(day: CleaningDay, unit: Any) -> Verdict | None:
    """Say why an instrument that is not on the list should not simply come in; None when nothing speaks against it."""
    tag, place = unit.asset_tag, unit.here.place if unit.here else ""
    if place in {"sold", "retired"}:
        return Verdict(
            "bad", f"{place.capitalize()}: {tag}", "By the books it left the fleet. Put it aside and ask the manager.", tag
        )
    if place == "lost":
        return Verdict("bad", f"Lost by the books: {tag}", "Put it aside and find it again on its page.", tag)
    all_the_same = "Give it back, or scan “Take in” to clean it all the same."
    if unit.school_id != day.school_id:
        whose = f"It belongs to {unit.school_name}." if unit.school_name else "It belongs to no student of this school."
        return Verdict("warn", f"Wrong school: {tag}", f"{whose} {all_the_same}", tag, hand=tag)
    if unit.cleaning_due_on > day.due_until:
        return Verdict("warn", f"Not due yet: {tag}", f"Due on {day_words(unit.cleaning_due_on)}. {all_the_same}", tag, hand=tag)
    return None


def _open_order(at: At, unit: Instrument) -> None:
    """Take it to the bench with a cleaning order; what is in work already is cleaned along with that."""
    if queries.get_open_work_order(unit) is None:
        fleet.open_work_order(
            instrument=unit,
            kind=WorkOrder.Kind.CLEANING,
            problem=f"Cleaning day, {at.day.school}",
            paid_by=WorkOrder.PaidBy.SHOP,
            location=at.day.location,
            acting_user=at.acting_user,
            now=at.now,
        )


def _not_here(unit: Instrument) -> Verdict:
    return Verdict("bad", f"Not scanned in: {unit.asset_tag}", "Switch to “Coming in” and scan it there first.", unit.asset_tag)


def _clean(at: At, unit: Instrument, visit: CleaningVisit | None) -> Verdict:
    if visit is None or visit.came_at is None:
        return _not_here(unit)
    if visit.cleaned_at or visit.back_at:
        return Verdict("info", f"Already cleaned: {unit.asset_tag}", "Nothing was done again.", unit.asset_tag)
    visit.cleaned_before_on = unit.last_cleaned_on
    fleet.record_cleaning(instrument=unit, cleaned_on=timezone.localdate(at.now), acting_user=at.acting_user, now=at.now)
    visit.cleaned_at = at.now
    visit.save(update_fields=["cleaned_at", "cleaned_before_on"])
    return Verdict("good", f"Cleaned: {unit.asset_tag}", "Next: scan it back.", unit.asset_tag, undo=(str(visit.pk), "cleaned"))


def _give_back(at: At, unit: Any, visit: CleaningVisit | None) -> Verdict:
    if visit is None or visit.came_at is None:
        return _not_here(unit)
    if visit.back_at:
        return Verdict("info", f"Already back: {unit.asset_tag}", "Nothing was done again.", unit.asset_tag)
    if visit.cleaned_at is None:
        return Verdict("warn", f"Not cleaned yet: {unit.asset_tag}", "Scan it as cleaned first.", unit.asset_tag)
    order = queries.get_open_work_order(unit)
    if order is not None:
        return Verdict(
            "warn", f"Stays here: {unit.asset_tag}", f"It has an open work order: {order.problem or 'no words'}.", unit.asset_tag
        )
    keeper = _move_back(at, unit)
    visit.back_at = at.now
    visit.save(update_fields=["back_at"])
    return Verdict("good", f"Back: {unit.asset_tag}", keeper, unit.asset_tag, undo=(str(visit.pk), "back"))


def _move_back(at: At, unit: Any) -> str:
    """Give it to whom it belongs: the family that rents it, the school that had it, or else the shelf. Return that in words."""
    who: Any = {"acting_user": at.acting_user, "now": at.now}
    reason = f"Back from the cleaning day, {at.day.school}"
    on_agreement = queries.get_open_unit(unit)
    if on_agreement is not None:
        household = on_agreement.agreement.household
        fleet.move_instrument(instrument=unit, place=Custody.Place.FAMILY, household=household, reason=reason, **who)
        return f"With student {on_agreement.agreement.student.initials} again."
    before = queries.list_custodies(unit).filter(ended_at__isnull=False).exclude(place=Custody.Place.BENCH).first()
    if before is not None and before.school is not None:
        fleet.move_by_hand(instrument=unit, place=Custody.Place.SCHOOL, school=before.school, reason=reason, **who)
        return f"At {before.school} again."
    fleet.move_by_hand(instrument=unit, place=Custody.Place.SHELF, location=at.day.location, reason=reason, **who)
    return f"Nobody rents it: on the shelf, {at.day.location}."


def take_back(*, day: CleaningDay, visit: CleaningVisit, step: str, acting_user: User, now: datetime.datetime) -> Verdict:
    """Take back the step a visit took last; told as a verdict."""
    at = At(day, acting_user, now)
    current = CleaningVisit.objects.select_related("instrument").get(pk=visit.pk)
    unit: Any = _find(current.instrument.asset_tag)
    last = "back" if current.back_at else "cleaned" if current.cleaned_at else "in" if current.came_at else ""
    if last != step:
        return Verdict("warn", f"Not undone: {unit.asset_tag}", "It has gone on since. Look at it in the list.", unit.asset_tag)
    if step == "back":
        fleet.move_by_hand(
            instrument=unit, place=Custody.Place.BENCH, location=day.location, reason="Scanned back by mistake",
            acting_user=acting_user, now=now,
        )  # fmt: skip
        current.back_at = None
        current.save(update_fields=["back_at"])
        return Verdict("good", f"Undone: {unit.asset_tag}", "It is in the shop again.", unit.asset_tag)
    if step == "cleaned":
        return _undo_cleaned(at, unit, current)
    order = queries.get_open_work_order(unit)
    if order is not None and order.kind == WorkOrder.Kind.CLEANING:
        cleanings.call_off_cleaning(order=order, why="Scanned in by mistake", acting_user=acting_user, now=now)
        where = _move_back(at, unit)
    else:
        where = "It stays in the shop with its other work."
    _did_not_come(current)
    return Verdict("good", f"Undone: {unit.asset_tag}", where, unit.asset_tag)


def _undo_cleaned(at: At, unit: Instrument, visit: CleaningVisit) -> Verdict:
    cleanings.undo_cleaning(
        instrument=unit,
        cleaned_on=timezone.localdate(visit.cleaned_at),
        back_to=visit.cleaned_before_on,
        acting_user=at.acting_user,
        now=at.now,
    )
    _open_order(at, unit)
    visit.cleaned_at = visit.cleaned_before_on = None
    visit.save(update_fields=["cleaned_at", "cleaned_before_on"])
    return Verdict("good", f"Undone: {unit.asset_tag}", "It waits for its cleaning again.", unit.asset_tag)


def _did_not_come(visit: CleaningVisit) -> None:
    if not visit.is_expected:
        visit.delete()
        return
    visit.came_at, visit.came_by = None, None
    visit.save(update_fields=["came_at", "came_by"])

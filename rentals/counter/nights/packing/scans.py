"""Scans at the van of a night: loading and unloading. One transaction each; the same key again gives the same answer.

What cannot be done is told, not raised. A substitute, an extra, and what is due for cleaning are asked about first.
"""

import datetime
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import transaction

from rentals.counter.nights.packing.told import Told
from rentals.inventory import operations as fleet
from rentals.inventory.models import CatalogueItem, Instrument, Location
from rentals.inventory.queries.cleanings import with_cleaning_due
from rentals.inventory.queries.scans import find_scanned
from rentals.runtime.locks import RowsBusyError
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from schools import nights_packing as packing
from schools.models import Allotment, AllotmentLine, Night, NightUnit
from schools.nights import NightOverError
from schools.nights_allotment import list_lines
from schools.nights_stock import UNFIT, neighbor_sizes
from schools.wishes import lists_of_nights

EXTRA = "extra"
REFUSED = (
    packing.NotOnShelfError,
    packing.NotAlongError,
    NightOverError,
    fleet.InstrumentHeldError,
    fleet.InstrumentOnAgreementError,
    fleet.InstrumentNotThereError,
    fleet.MoveBeforeLastMoveError,
    RowsBusyError,
)


@dataclass(frozen=True)
class Scan:
    """A scan as it was sent: the night, the code, the browser's key, and what was chosen about it ("" for nothing)."""

    night: Night
    code: str
    key: UUID
    choice: str = ""
    location: Location | None = None


@transaction.atomic
def take_load(scan: Scan, *, acting_user: User, now: datetime.datetime) -> Told:
    """Load what a scan means, or say why not, or ask. Raises RequestKeyReusedError."""
    return _once("night_load", scan, _load, acting_user, now)


@transaction.atomic
def take_unload(scan: Scan, *, acting_user: User, now: datetime.datetime) -> Told:
    """Take what a scan means off the van, onto the shelf of `scan.location`, or say why not. Raises RequestKeyReusedError."""
    return _once("night_unload", scan, _unload, acting_user, now)


def _once(purpose: str, scan: Scan, act: Any, acting_user: User, now: datetime.datetime) -> Told:
    request = {"night": scan.night.pk, "code": scan.code, "choice": scan.choice}
    request["location"] = scan.location.pk if scan.location else ""
    earlier = claim_request(key=scan.key, purpose=purpose, request=request, acting_user=acting_user)
    if earlier is not None:
        return Told.of(earlier)
    unit, told = _find(scan.code)
    if unit is not None:
        try:
            with transaction.atomic():
                told = act(scan, unit, acting_user, now)
        except packing.AlongAlreadyError as error:
            told = Told("info" if error.is_here else "bad", "Twice" if error.is_here else "In another van", str(error), scan.code)
        except REFUSED as error:
            told = Told("bad", f"Left here: {unit.asset_tag}", str(error), scan.code)
    keep_answer(key=scan.key, answer=told.as_dict())
    return told


def _find(code: str) -> tuple[Any, Told]:
    found = find_scanned(code)
    if found.instrument is not None:
        return found.instrument, Told("info", found.code)
    if found.instruments:
        return None, Told(
            "warn", f"Several: {found.code}", "More than one instrument has this serial number: scan our own label."
        )
    return None, Told(
        "bad", f"Unknown: {found.code[:40]}", "No instrument has this tag or serial number. Put it aside and look at the label."
    )


def name_of(unit: Instrument) -> str:
    """Name a unit by what it is: "Violin 1/2"."""
    return f"{unit.item.kind.name} {unit.item.size}".strip()


def _load(scan: Scan, unit: Instrument, acting_user: User, now: datetime.datetime) -> Told:
    lines = list_open_lines(scan.night)
    fitting = next((each for each in lines if (each.line.kind_id, each.line.size) == (unit.item.kind_id, unit.item.size)), None)
    line = fitting.line if fitting and fitting.left else None
    if scan.choice:
        chosen = next((each.line for each in lines if scan.choice == f"line-{each.line.pk}"), None)
        if chosen is None and scan.choice != EXTRA:
            return Told("warn", "Not loaded", "That line is gone from the list. Scan it again.", scan.code)
        line = chosen
    elif packing.get_along(unit) is None:
        packing.check_free(unit, scan.night)
        asked = _ask(scan, unit, line, lines)
        if asked is not None:
            return asked
    made = packing.load(night=scan.night, instrument=unit, line=line, acting_user=acting_user, now=now)
    return _loaded(unit, made, lines)


def _ask(scan: Scan, unit: Instrument, line: AllotmentLine | None, lines: list["OpenLine"]) -> Told | None:
    doubts = _list_doubts(unit, scan.night)
    if line is None:
        on_list = any(each.line.kind_id == unit.item.kind_id and each.line.size == unit.item.size for each in lines)
        doubts.insert(0, f"{name_of(unit)}: enough are loaded." if on_list else f"{name_of(unit)} is not on the list.")
    if not doubts:
        return None
    if line is not None:
        choices = [(f"line-{line.pk}", "Take it all the same")]
    else:
        near = {unit.item.size, *neighbor_sizes(unit.item.kind_id, unit.item.size)}
        stand_ins = [each for each in lines if each.left and each.line.kind_id == unit.item.kind_id and each.line.size in near]
        choices = [(f"line-{each.line.pk}", f"Instead of {each.name}") for each in stand_ins]
        choices.append((EXTRA, "Take it as an extra"))
    return Told("warn", f"Load {unit.asset_tag}?", " ".join(doubts) + " Otherwise leave it here.", unit.asset_tag, tuple(choices))


def _list_doubts(unit: Instrument, night: Night) -> list[str]:
    due = with_cleaning_due(Instrument.objects.filter(pk=unit.pk)).get().cleaning_due_on
    doubts = []
    if due <= night.on:
        doubts.append("Its annual cleaning is due: clean it before a student plays it.")
    if unit.grade in UNFIT:
        doubts.append("It is in poor condition: the bench should see it first.")
    if lists_of_nights([night.pk])[night.pk].is_off(unit.item):
        doubts.append(f"{unit.item} is not a model the directors of this night approve.")
    return doubts


def _loaded(unit: Instrument, made: NightUnit, lines: list["OpenLine"]) -> Told:
    if made.line is None:
        return Told("good", f"Loaded: {unit.asset_tag}", f"{name_of(unit)}, as an extra.", unit.asset_tag, undo=unit.asset_tag)
    of_line = next((each for each in lines if each.line.pk == made.line_id), None)
    left = max(0, of_line.left - 1) if of_line else 0
    more = f"{left} more to load of this line." if left else "That line is complete."
    if is_substitute(unit, made.line):
        name = of_line.name if of_line else "another"
        return Told(
            "good",
            f"Loaded: {unit.asset_tag}",
            f"{name_of(unit)}, instead of {name}. {more}",
            unit.asset_tag,
            undo=unit.asset_tag,
        )
    return Told("good", f"Loaded: {unit.asset_tag}", f"{name_of(unit)}. {more}", unit.asset_tag, undo=unit.asset_tag)


def is_substitute(unit: Instrument, line: AllotmentLine) -> bool:
    """Tell whether a unit stands in for what its line asks: another size, or not a beginner's."""
    other = (unit.item.kind_id, unit.item.size) != (line.kind_id, line.size)
    return other or unit.item.tier != CatalogueItem.Tier.BEGINNER


def _unload(scan: Scan, unit: Instrument, acting_user: User, now: datetime.datetime) -> Told:
    location = scan.location or scan.night.location
    packing.unload(night=scan.night, instrument=unit, location=location, acting_user=acting_user, now=now)
    return Told("good", f"Back: {unit.asset_tag}", f"{name_of(unit)}, to the shelf at {location}.", unit.asset_tag)


@dataclass(frozen=True)
class OpenLine:
    """A line of the allotment and how many are still to load."""

    line: AllotmentLine
    left: int

    @property
    def name(self) -> str:
        """What it asks for."""
        return f"{self.line.kind.name} {self.line.size}".strip()


def list_open_lines(night: Night) -> list[OpenLine]:
    """List the lines of a night's allotment with what is still to load, in the order of a score; none without an allotment."""
    allotment = Allotment.objects.filter(night=night).first()
    if allotment is None:
        return []
    loaded: dict[int | None, int] = {}
    along = NightUnit.objects.filter(line__allotment=allotment).exclude(outcome=NightUnit.Outcome.BACK)
    for line_id in along.values_list("line", flat=True):
        loaded[line_id] = loaded.get(line_id, 0) + 1
    return [OpenLine(line, max(0, line.quantity - loaded.get(line.pk, 0))) for line in list_lines(allotment)]

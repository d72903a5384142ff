"""Many instruments moved one after the other: a round is opened, codes are scanned into it, a scan is taken back."""

import datetime
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid4

from django.db import transaction

from rentals.inventory.models import Custody, Instrument, Location, MoveBatch, MoveScan
from rentals.inventory.operations.errors import (
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    MoveBeforeLastMoveError,
    MoveNotUndoneError,
    WorkOrderStillOpenError,
)
from rentals.inventory.operations.instruments import move_by_hand, note_grade
from rentals.inventory.operations.undoing import undo_move
from rentals.inventory.queries.chain import list_at_school
from rentals.inventory.queries.scans import find_scanned
from rentals.runtime import locks
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

SAME_SCAN = datetime.timedelta(seconds=3)
"""The same code within so long is one scan: a label read twice."""
REFUSALS = (
    InstrumentNotThereError,
    InstrumentOnAgreementError,
    MoveBeforeLastMoveError,
    WorkOrderStillOpenError,
    locks.RowsBusyError,
)


@dataclass(frozen=True)
class Aim:
    """Where a round takes its instruments, why, in what condition they are, and from which school they come back."""

    place: str
    reason: str
    location: Location | None = None
    school: Any = None
    from_school: Any = None
    grade: str = ""


@transaction.atomic
def open_batch(*, aim: Aim, request_key: UUID, acting_user: User, now: datetime.datetime) -> MoveBatch:
    """Open a round of moves and return it; sent again with the same key, it is the same round."""
    request = {name: str(getattr(aim, name)) for name in ("place", "reason", "location", "school", "from_school", "grade")}
    answer = claim_request(key=request_key, purpose="move_batch", request=request, acting_user=acting_user)
    if answer is not None:
        return MoveBatch.objects.get(pk=answer["batch"])
    batch = MoveBatch.objects.create(
        place=aim.place,
        location=aim.location,
        school=aim.school,
        from_school=aim.from_school,
        reason=aim.reason[:140],
        grade=aim.grade,
        made_at=now,
        made_by=acting_user,
    )
    keep_answer(key=request_key, answer={"batch": batch.pk})
    return batch


@transaction.atomic
def scan_into(*, batch: MoveBatch, code: str, client_id: UUID, acting_user: User, now: datetime.datetime) -> MoveScan:
    """Move what a code means as the round says, and return the verdict; nothing is refused by raising.

    The same id, or the same code again within three seconds, is the scan made before.
    """
    locked: MoveBatch = locks.lock_one(MoveBatch.objects.filter(pk=batch.pk), strength="no_key")
    earlier = MoveScan.objects.filter(client_id=client_id).first()
    if earlier:
        return earlier
    found = find_scanned(code)
    last = MoveScan.objects.filter(batch=locked).order_by("-pk").first()
    if last and last.code == found.code and last.undone_at is None and now - last.scanned_at < SAME_SCAN:
        return last
    scan = MoveScan(client_id=client_id, batch=locked, code=found.code, scanned_at=now, scanned_by=acting_user)
    if found.instrument is None:
        scan.verdict = MoveScan.Verdict.UNKNOWN
        scan.words = (
            "Several instruments have this serial number: scan the shop's own label."
            if found.instruments
            else "No instrument has this tag or serial number. Look at the label again; add it if it is new."
        )
        scan.save(force_insert=True)
        return scan
    return _move(scan, found.instrument, acting_user, now)


def _move(scan: MoveScan, unit: Instrument, acting_user: User, now: datetime.datetime) -> MoveScan:
    """Move one instrument as the round of the scan says, in a transaction of its own, and save the verdict."""
    batch, here = scan.batch, unit.here  # type: ignore[attr-defined]
    scan.instrument = unit
    try:
        with transaction.atomic():
            if batch.from_school_id and not (here and here.school_id == batch.from_school_id) and not _is_there(here, batch):
                raise InstrumentNotThereError(unit, str(here.place) if here else "", batch.place)
            scan.custody = move_by_hand(
                instrument=unit,
                place=batch.place,
                location=batch.location,
                school=batch.school,
                reason=batch.reason,
                acting_user=acting_user,
                now=now,
            )
            if batch.grade and batch.grade != unit.grade:
                scan.grade_before = unit.grade
                note_grade(instrument=unit, grade=batch.grade)
    except REFUSALS as error:
        scan.custody = None
        scan.verdict, scan.words = _refused(error, here, batch)
    else:
        came = f"from {here.location or here.school}" if here and (here.location_id or here.school_id) else "put there"
        scan.verdict, scan.words = MoveScan.Verdict.MOVED, f"{unit.item.kind.name}, {came}"
    scan.words = scan.words[:300]
    scan.save(force_insert=True)
    return scan


def _refused(error: Exception, here: Custody | None, batch: MoveBatch) -> tuple[MoveScan.Verdict, str]:
    if isinstance(error, InstrumentNotThereError) and here and _is_there(here, batch):
        return MoveScan.Verdict.ALREADY, f"It was put there before: {here.reason}"
    if isinstance(error, InstrumentNotThereError) and batch.from_school_id and here and here.school_id is None:
        return MoveScan.Verdict.WRONG, f"By the books it is not at {batch.from_school}: {here.get_place_display().lower()}."
    if isinstance(error, InstrumentNotThereError) and batch.from_school_id and here:
        return MoveScan.Verdict.WRONG, f"By the books it is at another school: {here.school}. Put it with that school's."
    return MoveScan.Verdict.WRONG, str(error)


def _is_there(here: Custody | None, batch: MoveBatch) -> bool:
    same = here is not None and here.place == batch.place
    return same and here is not None and (here.location_id, here.school_id) == (batch.location_id, batch.school_id)


@transaction.atomic
def undo_scan(*, scan: MoveScan, acting_user: User, now: datetime.datetime) -> MoveScan:
    """Take the move of a scan back, and the condition it noted. Raises MoveNotUndoneError and what undo_move raises."""
    locked: MoveScan = locks.lock_one(
        MoveScan.objects.select_related("custody", "instrument").filter(pk=scan.pk), strength="no_key"
    )
    if locked.custody is None or locked.instrument is None or locked.undone_at is not None:
        raise MoveNotUndoneError(locked.instrument or Instrument(asset_tag=locked.code))
    undo_move(custody=locked.custody, acting_user=acting_user, now=now)
    if locked.grade_before:
        note_grade(instrument=locked.instrument, grade=locked.grade_before)
    locked.undone_at = now
    locked.save(update_fields=["undone_at"])
    return locked


@transaction.atomic
def take_the_rest(*, batch: MoveBatch, acting_user: User, now: datetime.datetime) -> list[MoveScan]:
    """Move everything that is still at the round's school, as if each had been scanned; return the verdicts, by tag.

    What cannot move is named in its verdict; the others move.
    """
    locked: MoveBatch = locks.lock_one(MoveBatch.objects.filter(pk=batch.pk), strength="no_key")
    if locked.from_school_id is None:
        return []
    made = []
    for unit in list_at_school(locked.from_school_id):
        scan = MoveScan(client_id=uuid4(), batch=locked, code=unit.asset_tag, scanned_at=now, scanned_by=acting_user)
        made.append(_move(scan, unit, acting_user, now))
    return made

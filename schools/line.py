"""The waiting line of a night: numbers taken, called, finished; and what tablets report. No two people call the same one."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet, Value
from django.db.models.functions import Greatest

from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer, take_number
from schools import line_rules
from schools.models import Night, NightTablet, WaitingNumber
from schools.nights import NightOverError

STEP = 1000
"""Places between two numbers, for those that are put back in line."""

DESK_IDLE = datetime.timedelta(minutes=45)
"""Who has called nobody for so long does not count as a desk any more."""


CALL_NEXT = """
WITH first AS (
    SELECT id FROM schools_waitingnumber WHERE night_id = %(night)s AND called_at IS NULL AND left_at IS NULL
    ORDER BY place, number LIMIT 1 FOR UPDATE SKIP LOCKED
), finished AS (
    UPDATE schools_waitingnumber SET done_at = greatest(called_at, %(now)s)
    WHERE night_id = %(night)s AND called_by_id = %(person)s AND device IS NOT DISTINCT FROM %(device)s::uuid
        AND done_at IS NULL AND left_at IS NULL AND EXISTS (SELECT FROM first)
)
UPDATE schools_waitingnumber AS called
SET called_at = greatest(called.came_at, %(now)s), called_by_id = %(person)s, device = %(device)s::uuid
FROM first WHERE called.id = first.id RETURNING called.*
"""
"""One statement, so that a line of a hundred is called as fast as the database can: one round trip, nothing held in between."""


class NumberMovedOnError(Exception):
    """Somebody else was faster with this number."""

    def __init__(self, number: WaitingNumber) -> None:
        self.number = number
        super().__init__(f"Number {number.number} is {say_state(number)} already. The line below is up to date.")


class NothingUnsentError(Exception):
    """The tablet holds nothing: there is no file to hand over."""

    def __init__(self) -> None:
        super().__init__("This tablet says by now that it has sent everything: there is nothing to hand over.")


@dataclass(frozen=True)
class Line:
    """The line of a night at a moment. `minutes` is what a family takes (None: not known yet), `wait` what the next one waits."""

    waiting: tuple[WaitingNumber, ...]
    called: tuple[WaitingNumber, ...]
    done: int
    gone: int
    desks: int
    minutes: float | None
    wait: int | None

    @property
    def whole_minutes(self) -> int | None:
        """What a family takes, in whole minutes."""
        return None if self.minutes is None else round(self.minutes)

    def wait_of(self, ahead: int) -> int | None:
        """Return the expected minutes of whoever has so many families ahead."""
        return line_rules.expected_wait(ahead=ahead, desks=self.desks, minutes=self.minutes)

    def waits(self) -> list[tuple[WaitingNumber, int | None]]:
        """Put beside everybody who waits the minutes they may still expect."""
        return [(number, self.wait_of(ahead)) for ahead, number in enumerate(self.waiting)]


def say_state(number: WaitingNumber) -> str:
    """Say in a word where a number stands: "waiting", "called", "done" or "gone"."""
    if number.left_at:
        return "gone"
    if number.done_at:
        return "done"
    return "called" if number.called_at else "waiting"


@transaction.atomic
def take_a_number(
    *, night: Night, note: str = "", from_home: bool = False, request_key: UUID, acting_user: User, now: datetime.datetime
) -> WaitingNumber:
    """Give the next number of a night. The same request, or a form from home that has one already, gets the one it has.

    `note` is initials or a code, never a name. Raises NightOverError, RequestKeyReusedError.
    """
    request = {"night": night.pk, "note": note, "from_home": from_home}
    answer = claim_request(key=request_key, purpose="take_a_number", request=request, acting_user=acting_user)
    if answer is not None:
        return WaitingNumber.objects.get(pk=answer["number"])
    if Night.objects.filter(pk=night.pk, state__in=[Night.State.CLOSED, Night.State.CALLED_OFF]).exists():
        raise NightOverError(Night.objects.select_related("school").get(pk=night.pk))
    row = WaitingNumber(night=night, note=note.upper(), came_at=now)
    row.door = WaitingNumber.Door.HOME if from_home else WaitingNumber.Door.DOOR
    try:
        with transaction.atomic():
            row.number = take_number(f"line/{night.pk}")
            row.place = row.number * STEP
            row.save()
    except IntegrityError:
        standing = WaitingNumber.objects.filter(night=night, door=WaitingNumber.Door.HOME, note=row.note, left_at=None)
        earlier = standing.first() if from_home else None
        if earlier is None:
            raise
        row = earlier
    keep_answer(key=request_key, answer={"number": row.pk})
    return row


def call_next(*, night: Night, acting_user: User, device: UUID | None = None, now: datetime.datetime) -> WaitingNumber | None:
    """Call whoever stands first; None when nobody waits. Two who call at once get two numbers, and neither waits for the other.

    What the same person (at the same tablet) called before and never finished is done with the next call.
    """
    facts = {"night": night.pk, "person": acting_user.pk, "device": device, "now": now}
    return next(iter(WaitingNumber.objects.raw(CALL_NEXT, facts)), None)


def get_unheard(*, night: Night, acting_user: User, device: UUID, heard: int | None) -> WaitingNumber | None:
    """Return what a person called last on a tablet and is not done, when that tablet never `heard` it; else None."""
    mine = WaitingNumber.objects.filter(night=night, called_by=acting_user, device=device, done_at=None, left_at=None)
    last = mine.order_by("-called_at", "-number").first()
    return last if last is not None and last.number != heard else None


def finish_served(*, night: Night, number: int, device: UUID, now: datetime.datetime) -> bool:
    """Note that the family a tablet called is done, by its signed sign-up; False when that tablet serves this number no more."""
    served = WaitingNumber.objects.filter(night=night, number=number, device=device, done_at=None, left_at=None)
    return bool(served.exclude(called_at=None).update(done_at=Greatest(F("called_at"), Value(now))))


def finish(*, number: WaitingNumber, now: datetime.datetime) -> WaitingNumber:
    """Note that a called family is done; one that is done already stays so. Raises NumberMovedOnError."""

    def act(row: WaitingNumber) -> None:
        row.done_at = max(now, row.called_at or now)

    return _move(number, {"called": act, "done": None})


def leave(*, number: WaitingNumber, now: datetime.datetime) -> WaitingNumber:
    """Note that a family went home without signing up; one that is gone already stays so. Raises NumberMovedOnError."""

    def act(row: WaitingNumber) -> None:
        row.left_at = max(now, row.came_at)

    return _move(number, {"waiting": act, "called": act, "gone": None})


def put_back(*, number: WaitingNumber) -> WaitingNumber:
    """Put back in line whoever was called, is done or gone by mistake: behind the next two. Raises NumberMovedOnError."""

    def act(row: WaitingNumber) -> None:
        ahead = WaitingNumber.objects.filter(night=row.night_id, called_at=None, left_at=None).order_by("place", "number")
        before = list(ahead.exclude(pk=row.pk).values_list("place", flat=True)[: line_rules.PUT_BACK_BEHIND])
        row.place = max([row.place, *(place + 1 for place in before)])
        row.called_at = row.called_by = row.device = row.done_at = row.left_at = None

    return _move(number, {"called": act, "done": act, "gone": act, "waiting": None})


@transaction.atomic
def _move(number: WaitingNumber, acts: dict[str, Callable[[WaitingNumber], None] | None]) -> WaitingNumber:
    current: WaitingNumber = lock_one(WaitingNumber.objects.filter(pk=number.pk))
    state = say_state(current)
    if state not in acts:
        raise NumberMovedOnError(current)
    act = acts[state]
    if act is not None:
        act(current)
        current.save()
    return current


def get_line(night: Night, *, now: datetime.datetime) -> Line:
    """Read a night's line; one query, with who called."""
    rows = list(WaitingNumber.objects.filter(night=night).select_related("called_by").order_by("place", "number"))
    waiting = tuple(row for row in rows if say_state(row) == "waiting")
    called = [row for row in rows if say_state(row) == "called"]
    called.sort(key=lambda row: (row.called_at, row.number), reverse=True)
    done = [row for row in rows if row.done_at and row.called_at]
    times = [(row.done_at - row.called_at).total_seconds() for row in done if row.done_at and row.called_at]
    busy = {(row.called_by_id, row.device) for row in rows if row.called_at and now - row.called_at < DESK_IDLE}
    minutes = line_rules.typical_minutes(times)
    desks = max(1, len(busy))
    free = len(called) < len(busy) and not waiting
    wait = 0 if free else line_rules.expected_wait(ahead=len(waiting), desks=desks, minutes=minutes)
    gone = sum(1 for row in rows if row.left_at)
    return Line(waiting, tuple(called), len(done), gone, desks, minutes, wait)


@transaction.atomic
def report(
    *, night: Night, device: UUID, waiting: int, attention: int, oldest_minutes: int, acting_user: User, now: datetime.datetime
) -> NightTablet:
    """Keep what a tablet says it still holds, in place of what it said before."""
    row, _is_new = NightTablet.objects.update_or_create(
        night=night,
        device=device,
        defaults={
            "waiting": waiting,
            "attention": attention,
            "oldest_minutes": oldest_minutes,
            "used_by": acting_user,
            "reported_at": now,
        },
    )
    return row


@transaction.atomic
def hand_over(*, tablet: NightTablet, note: str, acting_user: User, now: datetime.datetime) -> NightTablet:
    """Note that the file of a tablet's unsent sign-ups was handed over, and to whom. Raises NothingUnsentError."""
    current: NightTablet = lock_one(NightTablet.objects.filter(pk=tablet.pk))
    if not current.held:
        raise NothingUnsentError
    current.handed_over_at, current.handed_over_by = now, acting_user
    current.handed_over_held, current.handed_over_note = current.held, note
    current.save(update_fields=["handed_over_at", "handed_over_by", "handed_over_held", "handed_over_note"])
    return current


def list_tablets(night: Night) -> QuerySet[NightTablet]:
    """List the tablets that reported at a night, those that hold most first."""
    tablets = NightTablet.objects.filter(night=night).select_related("used_by", "handed_over_by")
    return tablets.order_by(-(F("waiting") + F("attention")), "-reported_at")
